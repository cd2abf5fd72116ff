// Where the time of a task goes: an account by what was done, cheap enough to be always kept.
//
// Tiles are rendered one after another, each by all steps, so what was done comes in many
// small pieces. They are added up: a span is all the time of a task that went into one thing.
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <string_view>
#include <vector>

#include "proto/farm.pb.h"

namespace selvage::worker {

// What is done besides operators, whose names have no spaces.
inline constexpr std::string_view kInspectPlate = "inspect plate", kDecodePlate = "decode plate",
                                  kFetchTiles = "fetch tiles", kDrawMasks = "draw masks", kGather = "gather inputs",
                                  kHashTiles = "hash tiles", kEncodeTiles = "encode tiles", kStoreTiles = "store tiles",
                                  kOther = "other";

// Of a bundle, by its one thread. Tasks that came along have the numbers of TaskSpec.inner, the
// task itself has -1.
class SpanRecorder {
 public:
  using Clock = std::chrono::steady_clock;
  // Spans of one outcome.
  static constexpr int kMaxSpans = 64;

  // `taken_up`: when the worker began with the task. What no scope is open for goes into `rest`.
  SpanRecorder(Clock::time_point taken_up, std::string_view rest);

  // Adds what went into the tasks that are wanted, at most `most` spans in order of their start; what is
  // beyond goes with the last. Spans lie one behind another, in the order in which their things
  // first began, the rest at the end: together they fill the time until now.
  void AddTo(TaskOutcome* outcome, int most, const std::function<bool(int task)>& wanted);

 private:
  friend class SpanScope;
  struct Entry {
    int task;
    std::string_view what;
    Clock::duration time{};
    uint64_t bytes = 0;
  };
  size_t Begin(int task, std::string_view what);
  void End();
  // Since the last time goes into what is open.
  void Charge();

  const Clock::time_point taken_up_, begun_;
  Clock::time_point charged_;
  // In the order in which they first began; the first is the rest.
  std::vector<Entry> entries_;
  // Innermost last.
  std::vector<size_t> open_;
};

// The part that one task has in it. Without a recorder nothing is counted.
struct TaskSpans {
  SpanRecorder* recorder = nullptr;
  int task = -1;
};

// The time from here to its end goes into `what`, which outlives the recorder; but not the time
// of scopes that begin and end within it.
class SpanScope {
 public:
  SpanScope(const TaskSpans& spans, std::string_view what)
      : recorder_(spans.recorder), entry_(recorder_ ? recorder_->Begin(spans.task, what) : 0) {}
  ~SpanScope() {
    if (recorder_) recorder_->End();
  }
  SpanScope(const SpanScope&) = delete;
  SpanScope& operator=(const SpanScope&) = delete;
  void AddBytes(uint64_t bytes) {
    if (recorder_) recorder_->entries_[entry_].bytes += bytes;
  }

 private:
  SpanRecorder* const recorder_;
  const size_t entry_;
};

}  // namespace selvage::worker
