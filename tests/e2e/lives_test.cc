// Many short lives of a daemon, each ended by kill -9 at a random moment of
// submitting, rendering, committing, evicting and invalidating. What was
// acknowledged holds, nothing is lost, and no pixel is wrong.
//
// SELVAGE_LIVES says how many (default 24, about 40 s); SELVAGE_SEED another order.
#include <cstdlib>
#include <random>
#include <set>

#include "absl/strings/str_cat.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

constexpr int kFrames = 5;

int FromEnvironment(const char* name, int otherwise) {
  const char* text = std::getenv(name);
  return text == nullptr ? otherwise : std::atoi(text);
}

// Variants of the stack: what they look like is known from undisturbed runs.
const std::vector<std::vector<std::string>>& Variants() {
  static const auto* const variants = new std::vector<std::vector<std::string>>{
      {}, {"edge.levels.white=0.79"}, {"core.choke.pixels=2.5"}, {"warm.grade.gain=1.1,1,0.9"}};
  return *variants;
}

TEST(Lives, KilledAtAnyMomentNothingAcknowledgedIsLostAndNoPixelIsWrong) {
  const int lives = FromEnvironment("SELVAGE_LIVES", 24);
  std::mt19937 random(static_cast<uint32_t>(FromEnvironment("SELVAGE_SEED", 7)));
  const auto up_to = [&](int n) { return static_cast<int>(random() % static_cast<uint32_t>(n + 1)); };

  Studio studio(kFrames, 480, 270);
  const std::string stack = studio.WriteStack("small.stack", SmallStack(kFrames));
  std::vector<Files> expected;
  studio.Start();
  for (size_t v = 0; v < Variants().size(); ++v) {
    studio.Submit(stack, Variants()[v]);
    expected.push_back(studio.Fetch(absl::StrCat("expected", v)));
  }
  ASSERT_EQ(studio.Stop(), 0);
  std::filesystem::remove_all(studio.file("state"));

  // What daemons that are dead now acknowledged.
  std::set<std::string> jobs;
  size_t acknowledged = 0;
  const auto expect_done = [&] {
    studio.Start({.cache_size = "64M"});
    for (const std::string& job : jobs) {
      EXPECT_EQ(studio.WatchToEnd(job).state(), JOB_DONE) << "job " << job << " was acknowledged";
    }
    acknowledged += jobs.size();
    jobs.clear();
  };
  int invalidations = 0;
  for (int life = 0; life < lives; ++life) {
    // Long before the daemon forgets finished ones.
    if (life % 100 == 99) {
      expect_done();
      studio.KillDaemon();
    }
    // The smallest budget there is: with four variants it evicts.
    studio.Start({.cache_size = "64M"});
    // A client that is killed with the daemon has acknowledged nothing.
    for (int act = up_to(2); act >= 0; --act) {
      switch (up_to(3)) {
        case 0: {
          const Finished f = studio.Client({"--json", "invalidate", stack, up_to(1) ? "core" : "degrained"}, 20);
          invalidations += f.exit_code == 0;
          break;
        }
        default: {
          const size_t v = static_cast<size_t>(up_to(static_cast<int>(Variants().size()) - 1));
          const std::string job = studio.SubmitOnly(stack, Variants()[v]);
          ASSERT_FALSE(job.empty());
          jobs.insert(job);
        }
      }
      SleepMs(up_to(120));
    }
    SleepMs(up_to(700));
    studio.KillDaemon();
  }

  expect_done();
  for (size_t v = 0; v < Variants().size(); ++v) {
    studio.Submit(stack, Variants()[v]);
    EXPECT_EQ(Differences(WithoutKeys(studio.Fetch(absl::StrCat("after", v))), WithoutKeys(expected[v])), "")
        << "variant " << v;
  }
  const Finished verify = studio.Client({"cache", "verify"});
  EXPECT_NE(verify.out.find("all are whole"), std::string::npos) << verify.out << verify.err;
  EXPECT_GT(acknowledged, static_cast<size_t>(lives) / 2);
  if (lives >= 24) {
    EXPECT_GT(invalidations, 0);
  }
}

// An invalidation is acknowledged and the daemon dies at once: the next one
// knows of it, whatever was on its way.
TEST(Lives, AnAcknowledgedInvalidationHoldsHoweverSoonTheDaemonDies) {
  const int rounds = std::max(1, FromEnvironment("SELVAGE_LIVES", 24) / 4);
  std::mt19937 random(static_cast<uint32_t>(FromEnvironment("SELVAGE_SEED", 7)));
  Studio studio(4);
  const std::string stack = studio.WriteStack("small.stack", SmallStack(4));
  studio.Start();
  studio.Submit(stack);
  for (int round = 0; round < rounds; ++round) {
    // With renders in flight: another value of a pass below.
    const std::string set = absl::StrCat("edge.levels.white=0.", 50 + round);
    const std::string job = studio.SubmitOnly(stack, {set});
    SleepMs(static_cast<int>(random() % 200));
    ASSERT_EQ(studio.Client({"invalidate", stack, "core"}).exit_code, 0);
    studio.KillDaemon();
    studio.Start();
    // The job goes on, or its stack is submitted again: in one of them.
    const uint64_t anew =
        OfPass(studio.WatchToEnd(job), "core").rendered + OfPass(studio.Submit(stack, {set}), "core").rendered;
    EXPECT_GT(anew, 0u) << "the old pass was served";
    const Finished jobs = studio.Client({"--json", "jobs"});
    EXPECT_EQ(jobs.out.find("JOB_FAILED"), std::string::npos) << jobs.out;
  }
}

// The state folder, copied after a crash, opened elsewhere and damaged there.
TEST(Lives, ACopiedAndDamagedStateFolderGivesTheSamePixels) {
  Studio studio(kFrames, 480, 270);
  const std::string stack = studio.WriteStack("small.stack", SmallStack(kFrames));
  studio.Start({.cache_size = "64M"});
  studio.Submit(stack);
  const Files expected = studio.Fetch("expected");
  studio.KillDaemon();
  namespace fs = std::filesystem;
  fs::rename(studio.file("state"), studio.file("elsewhere"));
  std::mt19937 random(11);
  for (const std::string kind : {"copied", "flipped", "cut", "deleted"}) {
    fs::remove_all(studio.file("state"));
    fs::copy(studio.file("elsewhere"), studio.file("state"), fs::copy_options::recursive);
    // First all into files of tiles, then hit those.
    studio.Start({.cache_size = "64M"});
    ASSERT_EQ(studio.Stop(), 0);
    int hit = 0;
    for (const auto& e : fs::directory_iterator(studio.file("state/tiles"))) {
      if (e.path().extension() != ".blob" || kind == "copied") continue;
      ++hit;
      if (kind == "flipped") {
        std::string bytes = ReadFile(e.path().string());
        for (int i = 0; i < 20; ++i) bytes[random() % bytes.size()] ^= static_cast<char>(1 << random() % 8);
        WriteFile(e.path().string(), bytes);
      } else if (kind == "cut") {
        fs::resize_file(e.path(), e.file_size() / (1 + random() % 4));
      } else if (random() % 2 == 0) {
        fs::remove(e.path());
      }
    }
    if (kind != "copied") {
      ASSERT_GT(hit, 0) << kind;
    }
    studio.Start({.cache_size = "64M"});
    // What is damaged becomes a miss when it is read: here, all at once.
    EXPECT_EQ(studio.Client({"cache", "verify"}).exit_code, 0) << kind;
    const JobProgress p = studio.Submit(stack);
    EXPECT_EQ(p.state(), JOB_DONE) << kind;
    if (kind == "copied") {
      EXPECT_EQ(Sum(p).rendered, 0u);
    }
    fs::remove_all(studio.file("out"));
    EXPECT_EQ(Differences(studio.Fetch("out"), expected), "") << kind;
    // A change reads what lies above it.
    EXPECT_EQ(studio.Submit(stack, {"warm.grade.gain=1.1,1,0.9"}).state(), JOB_DONE) << kind;
    EXPECT_EQ(studio.Client({"cache", "verify"}).exit_code, 0);
    studio.Submit(stack);
    fs::remove_all(studio.file("out"));
    EXPECT_EQ(Differences(studio.Fetch("out"), expected), "") << kind << ", after verifying";
    EXPECT_TRUE(studio.daemon().running()) << kind;
    studio.KillDaemon();
  }
}

}  // namespace
}  // namespace selvage::e2e
