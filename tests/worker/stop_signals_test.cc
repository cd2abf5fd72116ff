#include "worker/run/stop_signals.h"

#include <gtest/gtest.h>
#include <signal.h>
#include <unistd.h>

#include <condition_variable>
#include <mutex>

namespace selvage::worker {
namespace {

// Counts calls, and waits for them.
struct Calls {
  std::mutex mutex;
  std::condition_variable changed;
  int count = 0;

  void Add() {
    std::lock_guard<std::mutex> lock(mutex);
    ++count;
    changed.notify_all();
  }
  void WaitFor(int wanted) {
    std::unique_lock<std::mutex> lock(mutex);
    changed.wait(lock, [&] { return count >= wanted; });
  }
};

TEST(StopSignals, TheFirstSignalCallsOneThingAndTheSecondAnother) {
  Calls first, second;
  StopSignals signals;
  signals.Watch([&] { first.Add(); }, [&] { second.Add(); });
  ASSERT_EQ(kill(getpid(), SIGTERM), 0);
  first.WaitFor(1);
  EXPECT_EQ(second.count, 0);
  ASSERT_EQ(kill(getpid(), SIGINT), 0);
  second.WaitFor(1);
  EXPECT_EQ(first.count, 1);
}

// The thread that waits refers to things of main: it must have ended with them.
TEST(StopSignals, TheWaitingEndsWithoutASignal) {
  int calls = 0;
  {
    StopSignals signals;
    signals.Watch([&] { ++calls; }, [&] { ++calls; });
  }
  EXPECT_EQ(calls, 0);
}

}  // namespace
}  // namespace selvage::worker
