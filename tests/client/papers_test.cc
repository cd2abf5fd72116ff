#include "client/papers/papers.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "client/json.h"
#include "client/papers/check_papers.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::StartsWith;

const std::string kSha(64, 'a'), kKey(64, 'b');

std::string Good() {
  return absl::StrReplaceAll(R"({
  "format": 1,
  "stack_name": "apiary_010",
  "version": 3,
  "deliverable": "comp",
  "made_by": "1.0",
  "source": [
    {"plate": "plate", "frame": 1001, "path": "/shots/plate.1001.exr", "sha256": "SHA"}
  ],
  "file": [
    {"path": "comp.1001.exr", "frame": 1001, "bytes": 12, "sha256": "SHA", "key": "KEY", "source": [0]}
  ]
})",
                             {{"SHA", kSha}, {"KEY", kKey}});
}

std::string Refusal(const std::string& from, const std::string& to) {
  const std::string text = absl::StrReplaceAll(Good(), {{from, to}});
  EXPECT_NE(text, Good()) << from;
  const auto papers = ParsePapers("p.json", text);
  EXPECT_FALSE(papers.ok()) << from << " -> " << to;
  return std::string(papers.status().message());
}

TEST(ParsePapers, WhatIsWrittenIsReadBack) {
  const auto papers = ParsePapers("p.json", Good());
  ASSERT_TRUE(papers.ok()) << papers.status();
  EXPECT_EQ(papers->version(), 3u);
  EXPECT_EQ(papers->source(0).frame(), 1001);
  EXPECT_THAT(papers->file(0).source(), ElementsAre(0));
  const auto again = ParsePapers("p.json", Json(*papers));
  ASSERT_TRUE(again.ok()) << again.status();
  EXPECT_EQ(again->SerializeAsString(), papers->SerializeAsString());
}

// RFC 8259, section 7: the escapes, a character beyond the basic plane as two halves.
TEST(ParsePapers, TextsMayHaveEscapes) {
  const auto papers =
      ParsePapers("p.json", absl::StrReplaceAll(Good(), {{"comp.1001", R"(\u0063\/\"\\\u00e4\uD834\uDD1E)"}}));
  ASSERT_TRUE(papers.ok()) << papers.status();
  EXPECT_EQ(papers->file(0).path(), "c/\"\\\xc3\xa4\xf0\x9d\x84\x9e.exr");
}

TEST(ParsePapers, WhatIsWrongIsToldWithItsLine) {
  EXPECT_EQ(Refusal("\"format\": 1,", "\"format\": 2,"),
            "p.json:1:1: these are no papers of format 1, which is all that this version reads");
  EXPECT_EQ(Refusal("\"version\": 3", "\"version\": -3"), "p.json:4:14: expected a whole number from 0 on");
  EXPECT_EQ(Refusal("\"version\": 3", "\"version\": 3.5"), "p.json:4:14: expected a whole number from 0 on");
  EXPECT_EQ(Refusal("\"version\": 3", "\"version\": 4294967296"), "p.json:4:14: expected a whole number from 0 on");
  EXPECT_EQ(Refusal("\"version\": 3", "\"version\": \"3\""), "p.json:4:14: expected a whole number from 0 on");
  EXPECT_THAT(Refusal("\"made_by\"", "\"maker\""),
              StartsWith("p.json:6:3: \"maker\" is not known here; known are format"));
  EXPECT_EQ(Refusal("\"made_by\"", "\"version\""), "p.json:6:3: \"version\" comes twice");
  EXPECT_EQ(Refusal("\"1.0\",", "\"1.0\""), "p.json:7:3: expected , or }");
  EXPECT_EQ(Refusal("[0]", "[1]"), "p.json:11:1: source 1 is named, but there are only 1, counted from 0 on");
  EXPECT_EQ(Refusal("[0]", "[0"), "p.json:11:224: expected , or ]");
  EXPECT_EQ(Refusal("\n  ]\n}", "\n  ]\n"), "p.json:13:1: the file ends where , or } is expected");
  EXPECT_EQ(Refusal("\n  ]\n}", "\n  ]\n} x"), "p.json:13:3: something follows after the end");
  EXPECT_EQ(Refusal("apiary_010", "apiary\\n010"), "p.json:3:26: a control character in a text");
  EXPECT_THAT(Refusal("apiary_010", "apiary\\q010"), HasSubstr("p.json:3:25: expected an escape that JSON has"));
  EXPECT_THAT(Refusal(kKey, "bb"), StartsWith("p.json:11:5: key must be 64 hexadecimal digits"));
  EXPECT_EQ(ParsePapers("p.json", "").status().message(), "p.json:1:1: the file ends where { is expected");
}

// A verify must read nothing elsewhere.
TEST(ParsePapers, DeliveredFilesLieBelowThePapers) {
  for (const char* path : {"/etc/passwd", "../comp.1001.exr", "a/../../b.exr", "..", ""}) {
    EXPECT_THAT(Refusal("comp.1001.exr", path), HasSubstr("it must lie in the folder of the papers or below")) << path;
  }
  EXPECT_THAT(Refusal("/shots/plate", "shots/plate"), HasSubstr("must be absolute"));
  const std::string twice = absl::StrReplaceAll(
      Good(), {{"[0]}", absl::StrCat("[0]}, {\"path\": \"./comp.1001.exr\", \"sha256\": \"", kSha, "\"}")}});
  EXPECT_THAT(std::string(ParsePapers("p.json", twice).status().message()), HasSubstr("comes twice"));
}

class PapersFolder : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() /
              absl::StrCat("papers-", getpid(), "-", ::testing::UnitTest::GetInstance()->current_test_info()->name());
    fs::create_directories(folder_);
    stack_.set_name("apiary_010");
  }
  void TearDown() override { fs::remove_all(folder_); }
  std::string Path(const std::string& name) const { return (folder_ / name).string(); }
  void Write(const std::string& name, const std::string& bytes) const {
    fs::create_directories((folder_ / name).parent_path());
    std::ofstream(Path(name), std::ios::binary) << bytes;
  }
  std::string Read(const std::string& name) const {
    std::ifstream in(Path(name), std::ios::binary);
    return {std::istreambuf_iterator<char>(in), {}};
  }
  absl::StatusOr<PapersWriter> Open(bool overwrite = false, const std::string& deliverable = "comp") const {
    return PapersWriter::Open(Path("comp.papers.json"), stack_, 3, deliverable, overwrite);
  }
  // Writes the file and adds it, as made from two frames of a plate.
  void Deliver(PapersWriter* papers, int frame, const std::string& bytes) const {
    const std::string name = absl::StrCat("comp.", frame, ".exr");
    Write(name, bytes);
    FileOrigin origin;
    origin.set_key(Sha256(bytes + "key").str());
    for (int f : {frame, frame + 1}) {
      FileOrigin::Source* source = origin.add_source();
      source->set_plate("plate");
      source->set_frame(f);
      source->set_path(Path(absl::StrCat("in/plate.", f, ".exr")));
      source->set_digest(Sha256(absl::StrCat("plate ", f)).str());
    }
    papers->Add(Path(name), frame, bytes.size(), Sha256(bytes), origin);
  }
  fs::path folder_;
  Stack stack_;
};

TEST_F(PapersFolder, FramesFetchedInPartsHaveThePapersOfAllAtOnce) {
  auto first = Open();
  ASSERT_TRUE(first.ok()) << first.status();
  Deliver(&*first, 1003, "three");
  Deliver(&*first, 1001, "one, before it was made again");
  ASSERT_TRUE(first->Write().ok());
  auto second = Open();
  ASSERT_TRUE(second.ok()) << second.status();
  Deliver(&*second, 1002, "two");
  Deliver(&*second, 1001, "one");
  ASSERT_TRUE(second->Write().ok());
  const std::string in_parts = Read("comp.papers.json");

  fs::remove(Path("comp.papers.json"));
  auto all = Open();
  for (const auto& [frame, bytes] : std::map<int, std::string>{{1001, "one"}, {1002, "two"}, {1003, "three"}}) {
    Deliver(&*all, frame, bytes);
  }
  ASSERT_TRUE(all->Write().ok());
  EXPECT_EQ(in_parts, Read("comp.papers.json"));
  const auto papers = ReadPapers(Path("comp.papers.json"));
  ASSERT_TRUE(papers.ok()) << papers.status();
  EXPECT_EQ(papers->file_size(), 3);
  EXPECT_EQ(papers->source_size(), 4) << "each once";
  EXPECT_EQ(papers->file(1).path(), "comp.1002.exr");
  EXPECT_THAT(papers->file(1).source(), ElementsAre(1, 2));
}

TEST_F(PapersFolder, WhatSomebodyElseWroteIsLeftAlone) {
  const auto refusal = [&](const std::string& deliverable = "comp") {
    const auto papers = Open(false, deliverable);
    EXPECT_EQ(papers.status().code(), absl::StatusCode::kPermissionDenied);
    EXPECT_TRUE(Open(true, deliverable).ok());
    return std::string(papers.status().message());
  };
  Write("comp.papers.json", "a day's work");
  EXPECT_THAT(refusal(), HasSubstr("Selvage did not write it"));
  auto papers = Open(true);
  Deliver(&*papers, 1001, "one");
  ASSERT_TRUE(papers->Write().ok());
  EXPECT_THAT(refusal("matte"), HasSubstr("the papers of deliverable \"comp\" of stack \"apiary_010\""));
  Write("comp.papers.json", Read("comp.papers.json") + "\n");
  EXPECT_THAT(refusal(), HasSubstr("was changed since Selvage wrote it"));
  Plate* plate = stack_.add_plate();
  plate->set_files(Path("comp.papers.json"));
  EXPECT_FALSE(Open(true).ok()) << "a plate, never";
}

TEST_F(PapersFolder, DifferencesAreNamed) {
  auto writer = Open();
  for (int frame : {1001, 1002, 1003, 1004}) Deliver(&*writer, frame, absl::StrCat("frame ", frame));
  ASSERT_TRUE(writer->Write().ok());
  const std::string path = Path("comp.papers.json");
  const auto papers = ReadPapers(path);
  ASSERT_TRUE(papers.ok());
  const auto words = [&](bool sources) {
    const PapersCheck check = CheckPapers(path, *papers, sources, [](size_t, size_t) {});
    return absl::StrReplaceAll(InWords(path, *papers, check), {{folder_.string(), "F"}});
  };
  EXPECT_EQ(words(false), "F/comp.papers.json: \"comp\" of apiary_010, version 3: 4 of 4 files as delivered\n");
  for (int frame = 1001; frame <= 1005; ++frame) {
    Write(absl::StrCat("in/plate.", frame, ".exr"), absl::StrCat("plate ", frame));
  }
  EXPECT_THAT(words(true), HasSubstr("4 of 4 files as delivered, 5 of 5 sources unchanged\n"));

  Write("comp.1001.exr", "frame 1O01");  // of the same size
  Write("comp.1002.exr", "frame 1002 and more");
  fs::remove(Path("comp.1003.exr"));
  Write("comp.1005.exr", "nobody's");
  Write("matte.1001.exr", "of another deliverable");
  Write("notes.txt", "1");
  Write("in/plate.1002.exr", "plate 1oo2");
  fs::remove(Path("in/plate.1004.exr"));
  EXPECT_EQ(words(true),
            "  changed: comp.1001.exr\n  changed: comp.1002.exr\n  missing: comp.1003.exr\n  extra: comp.1005.exr\n"
            "  changed source: F/in/plate.1002.exr\n  missing source: F/in/plate.1004.exr\n"
            "F/comp.papers.json: \"comp\" of apiary_010, version 3: 1 of 4 files as delivered, 1 missing, 2 changed, "
            "1 extra, 3 of 5 sources unchanged, 1 missing, 1 changed\n");
  const PapersCheck check = CheckPapers(path, *papers, false, [](size_t, size_t) {});
  EXPECT_THAT(JsonOf(path, *papers, check), HasSubstr("\"files_alike\": 1"));
  EXPECT_EQ(check.differences.size(), 4u);
}

TEST(PapersPath, FollowsThePathOfTheFiles) {
  Stack stack;
  stack.set_name("shot");
  const auto path = [&](const std::string& files, const std::string& to = "") {
    Deliverable d;
    d.set_name("comp");
    d.set_files(files);
    return PapersPathOf(stack, 3, d, to).value();
  };
  EXPECT_EQ(path("/out/comp.%04d.exr"), "/out/comp.papers.json");
  EXPECT_EQ(path("/out/{stack}_v{version}.%04d.exr"), "/out/shot_v003.comp.papers.json");
  EXPECT_EQ(path("/out/v{version}/%d.exr"), "/out/v003/comp.papers.json");
  EXPECT_EQ(path("/out/%04d/final.exr"), "/out/comp.papers.json");
  EXPECT_EQ(path("/out/still.png"), "/out/still.comp.papers.json");
  EXPECT_EQ(path("/out/plates_%04d.exr", "/to"), "/to/comp/plates.comp.papers.json");
}

TEST_F(PapersFolder, WhatIsNoPapersFileIsRefused) {
  EXPECT_EQ(ReadPapers(Path("none.json")).status().code(), absl::StatusCode::kNotFound);
  EXPECT_THAT(std::string(ReadPapers(folder_.string()).status().message()), HasSubstr("is no file that can be read"));
  // Holes take no room on the disk.
  Write("large.json", "");
  fs::resize_file(Path("large.json"), kMostPapersBytes + 1);
  EXPECT_THAT(std::string(ReadPapers(Path("large.json")).status().message()), HasSubstr("104857600 at most"));
}

}  // namespace
}  // namespace selvage::client
