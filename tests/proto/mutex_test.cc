#include "proto/mutex.h"

#include <chrono>
#include <memory>
#include <thread>
#include <vector>

#include "gtest/gtest.h"

namespace selvage {
namespace {

using std::chrono::milliseconds;
constexpr auto kLong = std::chrono::seconds(30);

TEST(Mutex, WaitsUntilItIsSo) {
  Mutex mutex;
  int step = 0;
  std::thread other([&] {
    MutexLock lock(&mutex);
    mutex.Await([&] { return step == 1; });
    step = 2;
  });
  {
    MutexLock lock(&mutex);
    step = 1;
    EXPECT_TRUE(mutex.AwaitFor(kLong, [&] { return step == 2; }));
  }
  other.join();
}

TEST(Mutex, SaysWhatWasNotSoInTime) {
  Mutex mutex;
  MutexLock lock(&mutex);
  EXPECT_FALSE(mutex.AwaitFor(milliseconds(1), [] { return false; }));
  EXPECT_TRUE(mutex.AwaitFor(milliseconds(0), [] { return true; }));
  EXPECT_FALSE(mutex.AwaitUntil(std::chrono::steady_clock::now() - kLong, [] { return false; }));
}

// One is woken at a time: each that goes must wake the next, also when it waits again
// for something else at once.
TEST(Mutex, EveryWaiterHasItsTurn) {
  constexpr int kThreads = 8, kThings = 2000;
  Mutex mutex;
  int things = 0, taken = 0, returned = 0;
  bool over = false;
  std::vector<std::thread> threads;
  for (int i = 0; i < kThreads; ++i) {
    threads.emplace_back([&] {
      MutexLock lock(&mutex);
      while (true) {
        mutex.Await([&] { return over || things > 0; });
        if (things == 0) return;
        --things;
        ++taken;
        mutex.Await([&] { return over || returned < taken; });
        ++returned;
      }
    });
  }
  for (int i = 0; i < kThings; ++i) {
    MutexLock lock(&mutex);
    ++things;
    if (i % 7 == 0) mutex.Await([&] { return things == 0; });
  }
  {
    MutexLock lock(&mutex);
    EXPECT_TRUE(mutex.AwaitFor(kLong, [&] { return returned == kThings; })) << taken << " " << returned;
    over = true;
  }
  for (std::thread& t : threads) t.join();
  EXPECT_EQ(taken, kThings);
}

// Whoever is woken may take the mutex down.
TEST(Mutex, GoesAwayWithTheLastWaiter) {
  for (int i = 0; i < 200; ++i) {
    auto mutex = std::make_unique<Mutex>();
    bool done = false;
    std::thread other([&done, m = mutex.get()] {
      MutexLock lock(m);
      done = true;
    });
    {
      MutexLock lock(mutex.get());
      mutex->Await([&] { return done; });
    }
    mutex.reset();
    other.join();
  }
}

}  // namespace
}  // namespace selvage
