// `selvage fetch` replaces nothing that it has not written itself.
#include <filesystem>

#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

constexpr int kFrames = 4, kCannotWrite = 5;

class Fetching : public ::testing::Test {
 protected:
  void SetUp() override {
    studio_.Start();
    stack_ = studio_.WriteStack("small.stack", SmallStack(kFrames));
    studio_.Submit(stack_);
    fs::create_directory(studio_.file("out"));
  }
  Finished Fetch(std::vector<std::string> more = {}) const {
    more.insert(more.begin(), {"fetch", "--deliverable", "comp"});
    return studio_.Client(more);
  }
  std::string Comp(int frame) const { return studio_.file("out/comp." + std::to_string(frame) + ".exr"); }

  Studio studio_{kFrames};
  std::string stack_;
};

TEST_F(Fetching, AFileOfSomebodyElseIsNotReplaced) {
  WriteFile(Comp(1002), "a day's work");
  const Finished refused = Fetch();
  EXPECT_EQ(refused.exit_code, kCannotWrite);
  EXPECT_SAYS(refused.err, "1 file of deliverable \"comp\" would be replaced that was not written by it");
  EXPECT_SAYS(refused.err, Comp(1002));
  EXPECT_SAYS(refused.err, "--overwrite");
  EXPECT_EQ(ReadFile(Comp(1002)), "a day's work");
  EXPECT_FALSE(fs::exists(Comp(1001))) << "all or nothing";

  const Finished forced = Fetch({"--overwrite"});
  EXPECT_EQ(forced.exit_code, 0) << forced.err;
  EXPECT_SAYS(forced.out, "comp: 4 files, 1 replaced");
  EXPECT_NE(ReadFile(Comp(1002)), "a day's work");
}

TEST_F(Fetching, ItsOwnFilesAreReplacedUntilSomebodyChangesThem) {
  EXPECT_SAYS(Fetch().out, "comp: 4 files; the last is ");
  EXPECT_SAYS(Fetch().out, "4 there already and unchanged");
  const std::string before = ReadFile(Comp(1001));
  studio_.KillDaemon();
  studio_.Start();
  studio_.Submit(stack_, {"warm.grade.gain=1.2"});
  const Finished again = Fetch();
  EXPECT_EQ(again.exit_code, 0) << again.err;
  EXPECT_SAYS(again.out, "comp: 4 files, 4 replaced");
  EXPECT_NE(ReadFile(Comp(1001)), before);

  WriteFile(Comp(1003), ReadFile(Comp(1003)) + "\n");
  studio_.Submit(stack_, {"warm.grade.gain=1.3"});
  const Finished refused = Fetch();
  EXPECT_EQ(refused.exit_code, kCannotWrite);
  EXPECT_SAYS(refused.err, Comp(1003));
  EXPECT_EQ(refused.err.find(Comp(1001)), std::string::npos) << refused.err;
}

// What another deliverable wrote is somebody else's, too.
TEST_F(Fetching, OnlyTheSameDeliverableMayReplaceIt) {
  EXPECT_EQ(Fetch().exit_code, 0);
  const std::string other = studio_.WriteStack(
      "other.stack",
      SmallStack(kFrames) + "deliver { name: \"second\" from: \"matte\" files: \"out/comp.%04d.exr\" }\n");
  studio_.Submit(other, {"comp.files=" + studio_.file("out/elsewhere.%04d.exr")});
  const Finished f = studio_.Client({"fetch", "--deliverable", "second"});
  EXPECT_EQ(f.exit_code, kCannotWrite) << f.out;
  EXPECT_SAYS(f.err, "4 files of deliverable \"second\"");
}

TEST_F(Fetching, APlateIsNeverReplaced) {
  fs::create_directories(studio_.file("in/comp"));
  for (int f = 1001; f < 1001 + kFrames; ++f) {
    const std::string name = "plate." + std::to_string(f) + ".exr";
    fs::copy_file(studio_.file(name), studio_.file("in/comp/" + name));
  }
  const std::string before = ReadFile(studio_.file("in/comp/plate.1001.exr"));
  studio_.Submit(stack_, {"plate.files=" + studio_.file("in/comp/plate.%04d.exr"),
                          "comp.files=" + studio_.file("out/plate.%04d.exr")});
  for (const bool overwrite : {false, true}) {
    std::vector<std::string> to = {"--to", studio_.file("in")};
    if (overwrite) to.push_back("--overwrite");
    const Finished f = Fetch(to);
    EXPECT_EQ(f.exit_code, kCannotWrite) << f.out;
    EXPECT_SAYS(f.err, "over a plate of its stack");
    EXPECT_SAYS(f.err, studio_.file("in/comp/plate.1001.exr"));
  }
  EXPECT_EQ(ReadFile(studio_.file("in/comp/plate.1001.exr")), before);
}

TEST_F(Fetching, FoldersThatAreMadeAndJsonAreSaid) {
  const Finished f = Fetch({"--to", studio_.file("new/place")});
  EXPECT_EQ(f.exit_code, 0) << f.err;
  EXPECT_SAYS(f.out, "made the folder " + studio_.file("new/place/comp"));
  const Finished json = Fetch({"--json", "--to", studio_.file("new/place"), "--frames", "1002"});
  EXPECT_SAYS(json.out, "\"frame\": 1002");
  EXPECT_SAYS(json.out, "\"state\": \"unchanged\"");
  EXPECT_SAYS(json.out, "\"path\": \"" + studio_.file("new/place/comp/comp.1002.exr") + "\"");
}

TEST_F(Fetching, ALookIsNotWrittenIntoAFolderThatIsNotThere) {
  const Finished f =
      studio_.Client({"look", stack_, "core", "--frame", "1001", "-o", studio_.file("nowhere/core.png")});
  EXPECT_EQ(f.exit_code, kCannotWrite);
  EXPECT_SAYS(f.err, "there is no folder " + studio_.file("nowhere"));
  const Finished json =
      studio_.Client({"--json", "look", stack_, "core", "--frame", "1001", "-o", studio_.file("core.png")});
  EXPECT_EQ(json.exit_code, 0) << json.err;
  EXPECT_SAYS(json.out, "\"file\": \"" + studio_.file("core.png") + "\"");
  EXPECT_SAYS(json.out, "\"frame\": 1001");
}

}  // namespace
}  // namespace selvage::e2e
