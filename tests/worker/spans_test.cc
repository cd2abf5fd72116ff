// The account of a task's time: each moment counts once, whatever is nested in what.
#include "worker/chain/spans.h"

#include <gtest/gtest.h>

#include <set>
#include <thread>

#include "absl/strings/str_cat.h"

namespace selvage::worker {
namespace {

using Clock = SpanRecorder::Clock;
const auto kAll = [](int) { return true; };

void Sleep(int ms) { std::this_thread::sleep_for(std::chrono::milliseconds(ms)); }

const Span* Find(const TaskOutcome& outcome, const std::string& what) {
  for (const Span& span : outcome.span()) {
    if (span.what() == what) return &span;
  }
  return nullptr;
}

uint64_t EndOf(const Span& span) { return span.start_us() + span.length_us(); }

TEST(Spans, LieOneBehindAnotherAndFillTheTime) {
  const auto taken_up = Clock::now();
  SpanRecorder recorder(taken_up, kOther);
  for (int tile = 0; tile < 3; ++tile) {
    const SpanScope outer({&recorder}, kGather);
    Sleep(2);
    SpanScope inner({&recorder}, "levels");
    inner.AddBytes(100);
    Sleep(4);
  }
  Sleep(2);
  TaskOutcome outcome;
  recorder.AddTo(&outcome, 64, kAll);
  const auto elapsed =
      static_cast<uint64_t>(std::chrono::duration_cast<std::chrono::microseconds>(Clock::now() - taken_up).count());
  ASSERT_EQ(outcome.span_size(), 3) << outcome.DebugString();
  EXPECT_EQ(outcome.span(0).what(), kGather);
  EXPECT_EQ(outcome.span(1).what(), "levels");
  EXPECT_EQ(outcome.span(2).what(), kOther) << "the rest is last";
  // Sleeping never takes less; the time of what is nested does not count twice.
  EXPECT_GE(outcome.span(0).length_us(), 6'000u);
  EXPECT_GE(outcome.span(1).length_us(), 12'000u);
  EXPECT_EQ(outcome.span(1).bytes(), 300u);
  EXPECT_EQ(outcome.span(1).start_us(), EndOf(outcome.span(0)));
  EXPECT_EQ(outcome.span(2).start_us(), EndOf(outcome.span(1)));
  EXPECT_LE(EndOf(outcome.span(2)), elapsed);
}

TEST(Spans, EachTaskHasItsOwn) {
  SpanRecorder recorder(Clock::now(), kOther);
  {
    const SpanScope own({&recorder, -1}, "over");
    Sleep(1);
    const SpanScope inner({&recorder, 2}, "over");
    Sleep(1);
  }
  TaskOutcome own, inner, nobody;
  recorder.AddTo(&own, 64, [](int task) { return task < 0; });
  recorder.AddTo(&inner, 64, [](int task) { return task == 2; });
  recorder.AddTo(&nobody, 64, [](int task) { return task == 1; });
  ASSERT_TRUE(Find(own, "over"));
  ASSERT_EQ(inner.span_size(), 1);
  EXPECT_EQ(inner.span(0).start_us(), EndOf(*Find(own, "over"))) << "they do not overlap";
  EXPECT_EQ(nobody.span_size(), 0);
}

TEST(Spans, AreBoundedAndLoseNoTime) {
  std::vector<std::string> names;
  for (int i = 0; i < 200; ++i) names.push_back(absl::StrCat("step ", i));
  SpanRecorder recorder(Clock::now(), kOther);
  for (const std::string& name : names) {
    SpanScope scope({&recorder}, name);
    scope.AddBytes(1);
    std::this_thread::sleep_for(std::chrono::microseconds(50));
  }
  TaskOutcome outcome;
  recorder.AddTo(&outcome, 10, kAll);
  ASSERT_EQ(outcome.span_size(), 10);
  uint64_t sum = 0, bytes = 0, last = 0;
  for (const Span& span : outcome.span()) {
    sum += span.length_us();
    bytes += span.bytes();
    EXPECT_GE(span.start_us(), last);
    last = span.start_us();
  }
  EXPECT_EQ(bytes, 200u);
  EXPECT_GE(sum, 200u * 50);
}

TEST(Spans, WithoutARecorderNothingIsCounted) {
  SpanScope scope({}, "levels");
  scope.AddBytes(1);
}

}  // namespace
}  // namespace selvage::worker
