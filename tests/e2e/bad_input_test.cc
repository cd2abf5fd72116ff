// Promise 7: one clear message with its place; nothing crashes, hangs or leaks.
#include <grpcpp/grpcpp.h>
#include <sys/stat.h>

#include <filesystem>

#include "absl/strings/str_replace.h"
#include "proto/cache.grpc.pb.h"
#include "proto/farm.grpc.pb.h"
#include "proto/job.grpc.pb.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

// One studio for all: a daemon that survives the table is part of the test.
class BadInput : public ::testing::Test {
 protected:
  static void SetUpTestSuite() {
    studio_ = new Studio(4);
    studio_->Start();
  }
  static void TearDownTestSuite() {
    delete studio_;
    studio_ = nullptr;
  }
  void TearDown() override {
    ASSERT_TRUE(studio_->daemon().running()) << ReadFile(studio_->log());
    // Nothing is left behind that keeps a worker busy.
    const Finished f = studio_->Client({"workers"});
    EXPECT_EQ(f.exit_code, 0) << f.err;
  }

  static std::string Stack(const std::string& plates, const std::string& rest = "") {
    return "name: \"bad\"\nframes { first: 1001 last: 1004 }\n" + plates +
           "pass { name: \"key\" from: \"plate\" step { color_difference {} } }\n"
           "deliver { name: \"m\" from: \"key\" files: \"out/m.%04d.exr\" }\n" +
           rest;
  }
  static std::string Plate(const std::string& files) { return "plate { name: \"plate\" files: \"" + files + "\" }\n"; }

  // A job was made, and failed of a damaged plate: not the stack's fault.
  static constexpr int kJobFailed = 4;

  // The message of a submission that must come to nothing.
  static std::string Refusal(const std::string& text, int exit_code = 1) {
    const std::string stack = studio_->WriteStack("bad.stack", text);
    const Finished f = studio_->Client({"submit", stack, "--watch"}, 60);
    EXPECT_EQ(f.exit_code, exit_code) << f.out << f.err;
    return f.err + f.out;
  }

  static Studio* studio_;
};
Studio* BadInput::studio_ = nullptr;

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

TEST_F(BadInput, FaultInTheTextIsGivenWithFileLineAndColumn) {
  const std::string text =
      Refusal("name: \"bad\"\nframes { first: 1 last: 2 }\npass {\n  name: \"a\"\n  step { levls {} }\n}\n");
  EXPECT_SAYS(text, "bad.stack:5:10: ");
  EXPECT_SAYS(text, "did you mean \"levels\"?");
}

TEST_F(BadInput, FaultFoundByTheDaemonIsGivenWithFileLineAndColumn) {
  const std::string text =
      Refusal(Stack(Plate("plate.%04d.exr")) +
              "pass {\n  name: \"hard\"\n  from: \"key\"\n  step { levels { black { value: 17 } } }\n}\n");
  EXPECT_SAYS(text, "bad.stack:9:");
  EXPECT_SAYS(text, "pass \"hard\" step 1 (levels) black");
  EXPECT_SAYS(text, "17");
  EXPECT_SAYS(text, "-10 to 10");
}

TEST_F(BadInput, NotAStackAtAll) {
  EXPECT_SAYS(Refusal("\x89PNG\r\n\x1a\n nonsense"), "bad.stack:1:");
  EXPECT_SAYS(Refusal("name: \"unclosed\nframes {"), "bad.stack:");
  const Finished f = studio_->Client({"check", studio_->file("nothing_here.stack")});
  EXPECT_EQ(f.exit_code, 1);
  EXPECT_SAYS(f.err, "no such stack file");
}

TEST_F(BadInput, TwoHundredMegabyteStackIsRefusedByTheClient) {
  const std::string path = studio_->file("huge.stack");
  WriteFile(path, "");
  fs::resize_file(path, 200u << 20);
  const Finished f = studio_->Client({"submit", path});
  EXPECT_EQ(f.exit_code, 1);
  EXPECT_SAYS(f.err, "too large for a stack");
}

TEST_F(BadInput, TwoHundredMegabyteMessageIsRefusedByTheDaemon) {
  auto channel = grpc::CreateChannel(studio_->server(), grpc::InsecureChannelCredentials());
  auto stub = JobService::NewStub(channel);
  SubmitRequest request;
  request.mutable_stack()->set_note(std::string(200u << 20, 'x'));
  SubmitReply reply;
  grpc::ClientContext context;
  const grpc::Status status = stub->Submit(&context, request, &reply);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED) << status.error_message();
}

TEST_F(BadInput, PathOutsideTheRoots) {
  EXPECT_SAYS(Refusal(Stack(Plate("/etc/plate.%04d.exr"))), "root");
  EXPECT_SAYS(Refusal(Stack(Plate("../../../etc/plate.%04d.exr"))), "root");
}

TEST_F(BadInput, SymlinkOutOfTheRoots) {
  fs::create_directory(studio_->file("linked"));
  for (int f = 1001; f <= 1004; ++f) {
    const std::string link = studio_->file("linked/p." + std::to_string(f) + ".exr");
    std::error_code error;
    fs::create_symlink("/etc/passwd", link, error);
  }
  const std::string text = Refusal(Stack(Plate("linked/p.%04d.exr")));
  EXPECT_SAYS(text, "root");
  EXPECT_EQ(text.find("root:x:0"), std::string::npos);
}

TEST_F(BadInput, MissingFrame) {
  const std::string text = Refusal(absl::StrReplaceAll(Stack(Plate("plate.%04d.exr")), {{"last: 1004", "last: 1005"}}));
  EXPECT_SAYS(text, "plate.1005.exr");
  EXPECT_SAYS(text, "bad.stack:");
}

void CopyPlates(const Studio& studio, const std::string& name) {
  for (int f = 1001; f <= 1004; ++f) {
    fs::copy_file(studio.file("plate." + std::to_string(f) + ".exr"),
                  studio.file(name + "." + std::to_string(f) + ".exr"), fs::copy_options::overwrite_existing);
  }
}

TEST_F(BadInput, TruncatedFile) {
  CopyPlates(*studio_, "cut");
  fs::resize_file(studio_->file("cut.1002.exr"), fs::file_size(studio_->file("cut.1002.exr")) / 2);
  const std::string text = Refusal(Stack(Plate("cut.%04d.exr")), kJobFailed);
  EXPECT_SAYS(text, "cut.1002.exr");
}

TEST_F(BadInput, EmptyFileAndFolderInsteadOfAFile) {
  CopyPlates(*studio_, "empty");
  WriteFile(studio_->file("empty.1003.exr"), "");
  EXPECT_SAYS(Refusal(Stack(Plate("empty.%04d.exr")), kJobFailed), "empty.1003.exr");
  CopyPlates(*studio_, "dir");
  fs::remove(studio_->file("dir.1001.exr"));
  fs::create_directory(studio_->file("dir.1001.exr"));
  EXPECT_SAYS(Refusal(Stack(Plate("dir.%04d.exr"))), "dir.1001.exr");
}

TEST_F(BadInput, FileThatIsNoPicture) {
  CopyPlates(*studio_, "text");
  WriteFile(studio_->file("text.1001.exr"), "this is a letter, not a picture\n");
  EXPECT_SAYS(Refusal(Stack(Plate("text.%04d.exr")), kJobFailed), "text.1001.exr");
}

TEST_F(BadInput, PlateThatChangesSizeInMidSequence) {
  CopyPlates(*studio_, "size");
  Studio other(4, 64, 64);
  fs::copy_file(other.file("plate.1003.exr"), studio_->file("size.1003.exr"), fs::copy_options::overwrite_existing);
  const std::string text = Refusal(Stack(Plate("size.%04d.exr")), kJobFailed);
  EXPECT_SAYS(text, "1003");
  EXPECT_SAYS(text, "64");
}

// A file of 300 bytes that says it holds 10^9 pixels.
TEST_F(BadInput, ExrThatDeclaresABillionPixels) {
  CopyPlates(*studio_, "bomb");
  std::string bytes = ReadFile(studio_->file("bomb.1001.exr"));
  for (const std::string window : {"dataWindow", "displayWindow"}) {
    // Attribute: name, 0, "box2i", 0, int32 size = 16, then xMin yMin xMax yMax.
    const size_t at = bytes.find(window + std::string("\0box2i\0", 7));
    ASSERT_NE(at, std::string::npos);
    const size_t value = at + window.size() + 7 + 4;
    const int32_t corner = 31622;  // 31,623^2 = 10^9
    std::memcpy(&bytes[value + 8], &corner, 4);
    std::memcpy(&bytes[value + 12], &corner, 4);
  }
  WriteFile(studio_->file("bomb.1001.exr"), bytes);
  const std::string text = Refusal(Stack(Plate("bomb.%04d.exr")), kJobFailed);
  EXPECT_SAYS(text, "bomb.1001.exr");
}

TEST_F(BadInput, MillionFramesAndHundredThousandPasses) {
  EXPECT_SAYS(Refusal(absl::StrReplaceAll(Stack(Plate("plate.%04d.exr")), {{"last: 1004", "last: 1001001"}})),
              "100,000");
  std::string many = Stack(Plate("plate.%04d.exr"));
  for (int i = 0; i < 100'000; ++i) many += "pass { name: \"p" + std::to_string(i) + "\" from: \"plate\" }\n";
  EXPECT_SAYS(Refusal(many), "4096");
}

TEST_F(BadInput, FetchIntoAFolderThatCannotBeWritten) {
  ASSERT_EQ(studio_->Submit(studio_->WriteStack("good.stack", SmallStack(4))).state(), JOB_DONE);
  // A file where a folder is needed: unwritable for root too.
  WriteFile(studio_->file("in_the_way"), "");
  const Finished f = studio_->Client({"fetch", "--to", studio_->file("in_the_way/out")});
  EXPECT_EQ(f.exit_code, 5) << f.err;
  EXPECT_SAYS(f.err, "in_the_way");
  EXPECT_EQ(fs::file_size(studio_->file("in_the_way")), 0u);
}

TEST_F(BadInput, ManualNeverReplacesAFileThatIsNoPageOfIt) {
  const std::string folder = studio_->file("my notes/manual");
  const auto write = [&] { return studio_->Client({"manual", "--html", folder}); };
  Finished f = write();
  EXPECT_EQ(f.exit_code, 0) << f.err;
  EXPECT_EQ(f.out, folder + "/index.html\n");
  const std::string page = ReadFile(folder + "/levels.html");
  EXPECT_NE(page.find("<code>gamma</code>"), std::string::npos);
  WriteFile(folder + "/levels.html", page + "<!-- an older version -->");
  EXPECT_EQ(write().exit_code, 0) << "our own are replaced";
  EXPECT_EQ(ReadFile(folder + "/levels.html"), page);
  WriteFile(folder + "/choke.html", "how I choke");
  WriteFile(folder + "/index.html", page);
  f = write();
  EXPECT_NE(f.exit_code, 0);
  EXPECT_NE(f.err.find("choke.html is there"), std::string::npos) << f.err;
  EXPECT_EQ(ReadFile(folder + "/choke.html"), "how I choke");
  EXPECT_EQ(ReadFile(folder + "/index.html"), page) << "nothing is written before all is looked at";
  f = studio_->Client({"manual", "levels", "--html", folder});
  EXPECT_EQ(f.exit_code, 2) << f.err;
}

TEST_F(BadInput, UnknownJobsPassesAndDeliverables) {
  EXPECT_EQ(studio_->Client({"watch", "no-such-job"}).exit_code, 1);
  EXPECT_EQ(studio_->Client({"cancel", "no-such-job"}).exit_code, 1);
  const std::string stack = studio_->WriteStack("good.stack", SmallStack(4));
  Finished f = studio_->Client({"look", stack, "nowhere", "--frame", "1001", "-o", studio_->file("x.png")});
  EXPECT_EQ(f.exit_code, 1);
  EXPECT_SAYS(f.err, "nowhere");
  EXPECT_FALSE(fs::exists(studio_->file("x.png")));
  f = studio_->Client({"look", stack, "core", "--frame", "7", "-o", studio_->file("x.png")});
  EXPECT_EQ(f.exit_code, 1);
  EXPECT_SAYS(f.err, "7");
  f = studio_->Client({"submit", stack, "--set", "warm.grade.stps=1"});
  EXPECT_EQ(f.exit_code, 1);
  EXPECT_SAYS(f.err, "stps");
}

TEST_F(BadInput, ForgedTilesAndOutcomesAreRefused) {
  auto channel = grpc::CreateChannel(studio_->server(), grpc::InsecureChannelCredentials());
  auto cache = CacheService::NewStub(channel);
  {
    grpc::ClientContext context;
    WriteTilesReply reply;
    auto writer = cache->WriteTiles(&context, &reply);
    WriteTilesRequest request;
    request.add_tile()->set_digest(std::string(32, '\1'));
    request.mutable_tile(0)->set_data(std::string("\0garbage", 8));
    writer->Write(request);
    writer->WritesDone();
    EXPECT_EQ(writer->Finish().error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  }
  {
    grpc::ClientContext context;
    FindMissingRequest request;
    request.add_digest("short");
    FindMissingReply reply;
    EXPECT_EQ(cache->FindMissing(&context, request, &reply).error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  }
  auto farm = FarmService::NewStub(channel);
  grpc::ClientContext context;
  TaskOutcome outcome;
  outcome.set_key("not a key");
  FinishReply reply;
  EXPECT_FALSE(farm->Finish(&context, outcome, &reply).ok());
}

// Not errors: the job is done, and says what the artist should know. Also when
// everything is in the cache.
TEST_F(BadInput, WhatIsDoubtfulIsWarningedOn) {
  const std::string stack = studio_->WriteStack("doubtful.stack", R"(
name: "doubtful"
frames { first: 1001 last: 1003 }
plate { name: "plate" files: "plate.%04d.exr" frames { first: 1001 last: 1003 } }
pass { name: "degrained" from: "plate" step { degrain { window: 2 sample { x: 8 y: 30 width: 110 height: 80 } } } }
pass { name: "key" from: "degrained" step { color_difference { screen { sample { x: 4 y: 4 width: 32 height: 32 } } } } }
pass { name: "none" from: "key" step { levels { black { value: 5 } white { value: 6 } } } }
pass { name: "front" from: "plate" step { spread_color { core: "none" } } step { attach_matte { matte: "key" } } }
deliver { name: "front" from: "front" files: "out/front.%04d.exr" }
)");
  for (const char* round : {"first", "again"}) {
    const Finished f = studio_->Client({"submit", stack, "--watch"});
    EXPECT_EQ(f.exit_code, 0) << round << f.err;
    EXPECT_SAYS(f.out, "warning: degrained at 1001: the box 8,30,110,80 has texture in it: it is ");
    EXPECT_SAYS(
        f.out, "warning: degrained at 1001: degrain with window 2 reads 5 frames, but there are only frames 1001-1003");
    EXPECT_SAYS(f.out, "warning: front at 1001-1003: the core is nowhere solid (0.95 or more, 1 px inside its edge)");
    EXPECT_EQ(f.out.find("warning: key"), std::string::npos) << f.out;
  }
  const Finished look =
      studio_->Client({"look", stack, "front", "--frame", "1002", "-o", studio_->file("doubtful.png")});
  EXPECT_EQ(look.exit_code, 0) << look.err;
  EXPECT_SAYS(look.err, "warning: degrained at 1001: the box 8,30,110,80 has texture in it: it is ");
  EXPECT_SAYS(look.err, "warning: front at 1002: the core is nowhere solid");
}

TEST_F(BadInput, NoDaemonIsSaidPlainly) {
  const Finished f = RunProcess({SELVAGE_BINARY_DIR "/client/selvage", "--server", "127.0.0.1:9", "jobs"});
  EXPECT_EQ(f.exit_code, 3);
  EXPECT_SAYS(f.err, "no answer from the daemon");
}

TEST_F(BadInput, DaemonRefusesToBeReachedFromOtherMachinesWithoutTokens) {
  const Finished f = RunProcess({SELVAGE_BINARY_DIR "/server/selvaged", "--state", studio_->file("other"), "--listen",
                                 "0.0.0.0:0", "--http", "127.0.0.1:0"},
                                20);
  EXPECT_NE(f.exit_code, 0);
  EXPECT_SAYS(f.err + f.out, "there is no token yet");
}

TEST_F(BadInput, SecondDaemonOnTheSameStateIsRefused) {
  const Finished f = RunProcess({SELVAGE_BINARY_DIR "/server/selvaged", "--state", studio_->file("state"), "--listen",
                                 "127.0.0.1:0", "--http", "127.0.0.1:0"},
                                20);
  EXPECT_NE(f.exit_code, 0);
  EXPECT_NE(f.exit_code, 128 + 9) << "it must not hang";
}

}  // namespace
}  // namespace selvage::e2e
