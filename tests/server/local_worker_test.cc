// The daemon's own worker as a process: a shell in its place.
#include "server/local_worker.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <mutex>
#include <string>
#include <thread>
#include <vector>

#include "absl/strings/str_cat.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

class Local : public testing::Test {
 protected:
  Local() : folder_(fs::path(testing::TempDir()) / absl::StrCat("local_worker_", ::getpid())) {
    fs::remove_all(folder_);
    fs::create_directories(folder_);
  }
  ~Local() override { fs::remove_all(folder_); }

  // `script` runs in the folder; it writes what it wants to tell into files.
  LocalWorker::Options Shell(const std::string& script) {
    return {.program = "/bin/sh",
            .arguments = {"-c", absl::StrCat("cd '", folder_.string(), "'; ", script)},
            .ended =
                [this](bool crashed) {
                  std::lock_guard lock(mutex_);
                  ends_.push_back(crashed);
                },
            .first_pause = 0.01};
  }
  std::vector<bool> WaitForEnds(size_t count) {
    for (int i = 0; i < 2000; ++i) {
      {
        std::lock_guard lock(mutex_);
        if (ends_.size() >= count) return ends_;
      }
      std::this_thread::sleep_for(std::chrono::milliseconds(5));
    }
    ADD_FAILURE() << "it did not end " << count << " times";
    return {};
  }
  bool WaitForFile(const std::string& name) const {
    for (int i = 0; i < 2000 && !fs::exists(folder_ / name); ++i) {
      std::this_thread::sleep_for(std::chrono::milliseconds(5));
    }
    return fs::exists(folder_ / name);
  }
  std::string Read(const std::string& name) const {
    std::ifstream in(folder_ / name);
    return {std::istreambuf_iterator<char>(in), {}};
  }

  const fs::path folder_;
  std::mutex mutex_;
  std::vector<bool> ends_;
};

TEST_F(Local, IsStartedAgainAndItIsSaidWhetherItCrashed) {
  // Another way to end each time.
  LocalWorker worker(Shell(R"(echo x >> starts
    case $(wc -l < starts) in
      1) exit 3 ;; 2) kill -SEGV $$ ;; 3) kill -KILL $$ ;; 4) kill -ABRT $$ ;; 5) exit 0 ;;
    esac
    : > there; exec sleep 1000)"));
  EXPECT_EQ(WaitForEnds(5), (std::vector<bool>{false, true, false, true, false}));
  EXPECT_TRUE(WaitForFile("there"));
  worker.Stop(5);
  EXPECT_EQ(WaitForEnds(5).size(), 5u) << "an end that was asked for is none";
}

TEST_F(Local, IsToldToEndAndKilledIfItDoesNot) {
  LocalWorker well(Shell("trap ': > told; exit 0' TERM; : > there; while :; do sleep 0.01; done"));
  ASSERT_TRUE(WaitForFile("there"));
  well.Stop(60);
  EXPECT_TRUE(fs::exists(folder_ / "told"));
  LocalWorker deaf(Shell("trap '' TERM; echo $$ > pid; : > deaf; while :; do sleep 0.01; done"));
  ASSERT_TRUE(WaitForFile("deaf"));
  deaf.Stop(0.1);
  EXPECT_NE(::kill(std::atoi(Read("pid").c_str()), 0), 0);
}

TEST_F(Local, HasNoneOfTheDaemonsFilesOpen) {
  std::ofstream mine(folder_ / "mine");
  LocalWorker worker(Shell("ls -l /proc/$$/fd > fds; : > there; exec sleep 1000"));
  ASSERT_TRUE(WaitForFile("there"));
  EXPECT_EQ(Read("fds").find("mine"), std::string::npos) << Read("fds");
}

TEST_F(Local, ProgramThatIsNotThereIsTriedAgain) {
  LocalWorker::Options options = Shell("");
  options.program = (folder_ / "later").string();
  LocalWorker worker(options);
  WaitForEnds(2);
  std::ofstream(options.program) << "#!/bin/sh\n: > '" << (folder_ / "there").string() << "'\nexec sleep 1000\n";
  fs::permissions(options.program, fs::perms::owner_all);
  EXPECT_TRUE(WaitForFile("there"));
}

TEST(FindWorkerProgram, IsFoundInTheBuildFolderOrOnThePath) {
  const std::string found = FindWorkerProgram();
  if (found.empty()) GTEST_SKIP() << "selvage-worker is neither beside the test nor on the PATH";
  EXPECT_EQ(fs::path(found).filename(), "selvage-worker");
}

}  // namespace
}  // namespace selvage
