#include "worker/chain/spans.h"

#include <algorithm>

namespace selvage::worker {
namespace {

int64_t Microseconds(SpanRecorder::Clock::duration time) {
  return std::chrono::duration_cast<std::chrono::microseconds>(time).count();
}

}  // namespace

SpanRecorder::SpanRecorder(Clock::time_point taken_up, std::string_view rest)
    : taken_up_(taken_up), begun_(Clock::now()), charged_(begun_), entries_{{-1, rest}}, open_{0} {}

void SpanRecorder::Charge() {
  const Clock::time_point now = Clock::now();
  entries_[open_.back()].time += now - charged_;
  charged_ = now;
}

size_t SpanRecorder::Begin(int task, std::string_view what) {
  Charge();
  // A few dozens: looking through them costs less than a map.
  const auto known =
      std::find_if(entries_.begin(), entries_.end(), [&](const Entry& e) { return e.task == task && e.what == what; });
  open_.push_back(static_cast<size_t>(known - entries_.begin()));
  if (known == entries_.end()) entries_.push_back({task, what});
  return open_.back();
}

void SpanRecorder::End() {
  Charge();
  open_.pop_back();
}

void SpanRecorder::AddTo(TaskOutcome* outcome, int most, const std::function<bool(int)>& wanted) {
  Charge();
  Clock::duration at = begun_ - taken_up_;
  int added = 0;
  for (size_t i = 1; i <= entries_.size(); ++i) {
    const Entry& e = entries_[i % entries_.size()];
    const int64_t start = Microseconds(at), end = Microseconds(at + e.time);
    at += e.time;
    if (end == start || !wanted(e.task)) continue;
    if (added == most) {
      Span* last = outcome->mutable_span(outcome->span_size() - 1);
      last->set_length_us(last->length_us() + static_cast<uint64_t>(end - start));
      last->set_bytes(last->bytes() + e.bytes);
      continue;
    }
    ++added;
    Span* span = outcome->add_span();
    span->set_what(std::string(e.what));
    span->set_start_us(static_cast<uint64_t>(start));
    span->set_length_us(static_cast<uint64_t>(end - start));
    span->set_bytes(e.bytes);
  }
}

}  // namespace selvage::worker
