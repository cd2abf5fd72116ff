// `selvage fetch --papers` and `selvage verify`.
#include <google/protobuf/util/json_util.h>

#include <filesystem>
#include <set>

#include "absl/strings/str_cat.h"
#include "proto/digest.h"
#include "proto/papers.pb.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

constexpr int kFrames = 4, kDiffers = 8, kCannotWrite = 5;

class Papers : public ::testing::Test {
 protected:
  void SetUp() override {
    studio_.Start();
    stack_ = studio_.WriteStack("small.stack", SmallStack(kFrames));
    studio_.Submit(stack_);
  }
  Finished Fetch(std::vector<std::string> more = {}) const {
    more.insert(more.begin(), {"fetch", "--papers", "--deliverable", "comp"});
    return studio_.Client(more);
  }
  Finished Verify(std::vector<std::string> more = {}) const {
    more.insert(more.begin(), {"verify", Path()});
    return studio_.Client(more);
  }
  std::string Path() const { return studio_.file("out/comp.papers.json"); }
  std::string Comp(int frame) const { return studio_.file("out/comp." + std::to_string(frame) + ".exr"); }
  DeliveryPapers Read() const {
    DeliveryPapers papers;
    EXPECT_TRUE(google::protobuf::util::JsonStringToMessage(ReadFile(Path()), &papers).ok());
    return papers;
  }

  Studio studio_{kFrames};
  std::string stack_;
};

TEST_F(Papers, AreWrittenWhenAskedForAndNameAllThatAFileWasMadeFrom) {
  EXPECT_EQ(studio_.Client({"fetch"}).exit_code, 0);
  EXPECT_FALSE(fs::exists(Path())) << "not asked for";
  const Finished fetched = Fetch();
  EXPECT_EQ(fetched.exit_code, 0) << fetched.err;
  EXPECT_SAYS(fetched.out, "its papers are " + Path());
  const DeliveryPapers papers = Read();
  EXPECT_EQ(papers.format(), 1u);
  EXPECT_EQ(papers.stack_name(), "small");
  EXPECT_EQ(papers.version(), 1u);
  EXPECT_EQ(papers.deliverable(), "comp");
  ASSERT_EQ(papers.file_size(), kFrames);
  for (int i = 0; i < kFrames; ++i) {
    const DeliveryPapers::File& file = papers.file(i);
    const std::string bytes = ReadFile(Comp(1001 + i));
    EXPECT_EQ(file.path(), absl::StrCat("comp.", 1001 + i, ".exr"));
    EXPECT_EQ(file.frame(), 1001 + i);
    EXPECT_EQ(file.bytes(), bytes.size());
    EXPECT_EQ(file.sha256(), Sha256(bytes).Hex());
    // An EXR names in its header the result that it was made of.
    EXPECT_SAYS(bytes, file.key());
    // It is degrained over a window of three frames, before a meadow. The noise is that of the
    // first frame, and edges are held against those before.
    std::set<std::string> sources;
    for (const uint32_t s : file.source()) sources.insert(papers.source(static_cast<int>(s)).path());
    EXPECT_EQ(sources.size(), static_cast<size_t>(file.source_size())) << "each once";
    EXPECT_TRUE(sources.contains(studio_.file("meadow.exr")));
    EXPECT_TRUE(sources.contains(studio_.file("plate.1001.exr")));
    for (int f = std::max(1001, 1000 + i); f <= std::min(1000 + kFrames, 1002 + i); ++f) {
      EXPECT_TRUE(sources.contains(studio_.file(absl::StrCat("plate.", f, ".exr")))) << f;
    }
    if (i == 0) {
      EXPECT_EQ(sources.size(), 3u) << "nothing that comes later";
    }
  }
  for (const DeliveryPapers::Source& s : papers.source()) EXPECT_EQ(s.sha256(), Sha256(ReadFile(s.path())).Hex());
}

TEST_F(Papers, FilesAreVerifiedWithoutADaemon) {
  ASSERT_EQ(Fetch().exit_code, 0);
  studio_.KillDaemon();
  const Finished good = Verify({"--sources"});
  EXPECT_EQ(good.exit_code, 0) << good.err;
  EXPECT_EQ(good.out, Path() + ": \"comp\" of small, version 1: 4 of 4 files as delivered, 5 of 5 sources unchanged\n");
  // One byte of one file.
  std::string bytes = ReadFile(Comp(1002));
  bytes[bytes.size() / 2] ^= 1;
  WriteFile(Comp(1002), bytes);
  const Finished changed = Verify();
  EXPECT_EQ(changed.exit_code, kDiffers);
  EXPECT_EQ(changed.out, "  changed: comp.1002.exr\n" + Path() +
                             ": \"comp\" of small, version 1: 3 of 4 files as delivered, 1 changed\n");
  EXPECT_EQ(changed.err, "the files are not as they were delivered\n");
  const Finished json = Verify({"--json"});
  EXPECT_EQ(json.exit_code, kDiffers);
  EXPECT_SAYS(json.out, "\"what\": \"changed\"");
  EXPECT_EQ(json.out.find("error"), std::string::npos) << json.out;
  // Elsewhere, with all its files.
  fs::rename(studio_.file("out"), studio_.file("archive"));
  const Finished moved = studio_.Client({"verify", studio_.file("archive/comp.papers.json")});
  EXPECT_SAYS(moved.out, "3 of 4 files as delivered, 1 changed");
  // Damaged papers.
  WriteFile(studio_.file("archive/comp.papers.json"), "{\n  \"format\": 1,\n  \"file\": [{\"path\": \"../x\"}]\n}");
  const Finished damaged = studio_.Client({"verify", studio_.file("archive/comp.papers.json")});
  EXPECT_EQ(damaged.exit_code, 1);
  EXPECT_SAYS(damaged.err, "comp.papers.json:3:12: path \"../x\" goes up with \"..\"");
}

TEST_F(Papers, PartsOfTheFramesMakeOneOfThem) {
  ASSERT_EQ(Fetch({"--frames", "1001-1002"}).exit_code, 0);
  EXPECT_EQ(Read().file_size(), 2);
  // A frame that was fetched without papers.
  ASSERT_EQ(studio_.Client({"fetch", "--deliverable", "comp", "--frames", "1004"}).exit_code, 0);
  const Finished extra = Verify();
  EXPECT_EQ(extra.exit_code, kDiffers);
  EXPECT_SAYS(extra.out, "  extra: comp.1004.exr\n");
  ASSERT_EQ(Fetch({"--frames", "1002-1004"}).exit_code, 0);
  const std::string in_parts = ReadFile(Path());
  EXPECT_EQ(Verify().exit_code, 0);
  fs::remove(Path());
  ASSERT_EQ(Fetch().exit_code, 0);
  EXPECT_EQ(ReadFile(Path()), in_parts);
}

TEST_F(Papers, AFileOfSomebodyElseIsNotReplaced) {
  fs::create_directories(studio_.file("out"));
  WriteFile(Path(), "notes of the shot");
  const Finished refused = Fetch();
  EXPECT_EQ(refused.exit_code, kCannotWrite);
  EXPECT_SAYS(refused.err, "is there already, and Selvage did not write it; nothing was written");
  EXPECT_EQ(ReadFile(Path()), "notes of the shot");
  EXPECT_FALSE(fs::exists(Comp(1001)));
  EXPECT_EQ(Fetch({"--overwrite"}).exit_code, 0);
  EXPECT_EQ(Verify().exit_code, 0);
}

}  // namespace
}  // namespace selvage::e2e
