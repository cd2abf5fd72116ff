#include "worker/run/decoded_cache.h"

#include <gtest/gtest.h>

#include <atomic>
#include <chrono>
#include <thread>
#include <vector>

#include "worker/picture/buffer_pool.h"

namespace selvage::worker {
namespace {

DecodedCache::Made Number(int v, size_t bytes) { return {std::make_shared<const int>(v), bytes}; }
int ValueOf(const DecodedCache::Value& v) { return *std::static_pointer_cast<const int>(v); }

TEST(DecodedCache, ForgetsTheLeastRecentlyUsedFirst) {
  DecodedCache memory(100);
  memory.Put("a", Number(1, 40));
  memory.Put("b", Number(2, 40));
  ASSERT_NE(memory.Find("a"), nullptr);
  memory.Put("c", Number(3, 40));
  EXPECT_EQ(memory.Find("b"), nullptr);
  EXPECT_EQ(ValueOf(memory.Find("a")), 1);
  EXPECT_EQ(ValueOf(memory.Find("c")), 3);
  EXPECT_EQ(memory.bytes(), 80u);
}

TEST(DecodedCache, StaysWithinItsBound) {
  DecodedCache memory(1000);
  for (int i = 0; i < 500; ++i) {
    memory.Put(std::to_string(i), Number(i, static_cast<size_t>(i * 37 % 300)));
    ASSERT_LE(memory.bytes(), 1000u);
  }
  memory.Put("too large", Number(0, 1001));
  EXPECT_EQ(memory.Find("too large"), nullptr);
}

TEST(DecodedCache, WhatIsInUseOutlivesBeingForgotten) {
  DecodedCache memory(100);
  memory.Put("a", Number(7, 100));
  const DecodedCache::Value held = memory.Find("a");
  memory.Put("b", Number(8, 100));
  EXPECT_EQ(memory.Find("a"), nullptr);
  EXPECT_EQ(ValueOf(held), 7);
}

TEST(DecodedCache, ThreadsThatAskAtOnceMakeItOnce) {
  DecodedCache memory(1000);
  std::atomic<int> made = 0, waiting = 0;
  std::vector<std::thread> threads;
  std::vector<int> got(8);
  for (int i = 0; i < 8; ++i) {
    threads.emplace_back([&, i] {
      ++waiting;
      auto value = memory.FindOrMake("a", [&]() -> absl::StatusOr<DecodedCache::Made> {
        // Until everybody has come, so that they really meet.
        while (waiting < 8) std::this_thread::yield();
        return Number(100 + ++made, 10);
      });
      got[i] = ValueOf(*value);
    });
  }
  for (auto& t : threads) t.join();
  EXPECT_EQ(made, 1);
  for (int v : got) EXPECT_EQ(v, 101);
}

TEST(DecodedCache, AFailureIsToldAndNotRemembered) {
  DecodedCache memory(1000);
  auto failed =
      memory.FindOrMake("a", []() -> absl::StatusOr<DecodedCache::Made> { return absl::AbortedError("changed"); });
  EXPECT_EQ(failed.status(), absl::AbortedError("changed"));
  auto made = memory.FindOrMake("a", []() -> absl::StatusOr<DecodedCache::Made> { return Number(3, 10); });
  ASSERT_TRUE(made.ok());
  EXPECT_EQ(ValueOf(*made), 3);
}

TEST(DecodedCache, RunningOutWhileMakingFreesTheOthers) {
  DecodedCache memory(1000);
  EXPECT_THROW((void)memory.FindOrMake("a", []() -> absl::StatusOr<DecodedCache::Made> { throw std::bad_alloc(); }),
               std::bad_alloc);
  EXPECT_TRUE(memory.FindOrMake("a", []() -> absl::StatusOr<DecodedCache::Made> { return Number(1, 10); }).ok());
}

TEST(BufferPool, BuffersAreAlignedAndComeBack) {
#if defined(__SANITIZE_ADDRESS__)
  GTEST_SKIP() << "no pooling under the address sanitizer";
#endif
  const size_t floats = 70'001;
  float* first = nullptr;
  {
    const auto buffer = NewBuffer(floats);
    first = buffer.get();
    EXPECT_EQ(reinterpret_cast<uintptr_t>(first) % 64, 0u);
    first[0] = first[floats - 1] = 1;
  }
  EXPECT_EQ(NewBuffer(floats).get(), first);
  // Never one of another size class, and never two owners.
  const auto a = NewBuffer(floats), b = NewBuffer(floats);
  EXPECT_NE(a.get(), b.get());
}

TEST(BufferPool, IdleBytesAreBounded) {
  {
    std::vector<std::shared_ptr<float[]>> all;
    for (int i = 0; i < 30; ++i) all.push_back(NewBuffer(size_t{4} << 20));
  }
  EXPECT_LE(PooledBytes(), kPooledBytes);
}

}  // namespace
}  // namespace selvage::worker
