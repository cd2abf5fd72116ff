#include "client/trace/where_time_went.h"

#include <algorithm>

#include "absl/strings/str_cat.h"

namespace selvage::client {
namespace {

constexpr int kMostSpans = 64;
// A job of a year is not one.
constexpr int64_t kLatest = int64_t{366} * 86'400 * 1'000'000;

int64_t EndOf(const Span& span) { return static_cast<int64_t>(span.start_us() + span.length_us()); }

template <class Visit>
void EachSpan(const Placed& placed, const Visit& visit) {
  for (const Span& span : placed.task->span()) visit(span);
  for (const TracedTask* inner : placed.inner) {
    for (const Span& span : inner->span()) visit(span);
  }
}

// How long the worker took until the slot was free, and altogether.
struct Lengths {
  int64_t render = 0, all = 0;
};
Lengths LengthsOf(const Placed& placed) {
  Lengths of;
  bool sends = false;
  EachSpan(placed, [&](const Span& span) {
    of.all = std::max(of.all, EndOf(span));
    sends |= IsSending(span.what());
    if (!IsSending(span.what())) of.render = std::max(of.render, EndOf(span));
  });
  // Without spans nothing is known of what went on in between.
  if (of.all == 0) of.all = placed.task->finished_us() - placed.task->leased_us();
  if (!sends || of.render == 0) of.render = of.all;
  return of;
}

// The first lane that is free at `from`; taken until `to`.
int TakeLane(std::vector<int64_t>* free_at, int64_t from, int64_t to) {
  const auto lane = std::find_if(free_at->begin(), free_at->end(), [&](int64_t at) { return at <= from; });
  if (lane != free_at->end()) {
    *lane = to;
    return static_cast<int>(lane - free_at->begin());
  }
  free_at->push_back(to);
  return static_cast<int>(free_at->size()) - 1;
}

// The worker cannot have taken a task up before it was leased, so that is when slots are free
// again at the earliest. What else the way there and back took is put before the work, as far
// as there is room until the slot's next task: finding the inputs is the longest part of it.
void PlaceOnSlots(std::vector<Placed*>* tasks, Timeline::Lanes* lanes) {
  std::stable_sort(tasks->begin(), tasks->end(),
                   [](const Placed* a, const Placed* b) { return a->task->leased_us() < b->task->leased_us(); });
  std::vector<int64_t> free_at;
  for (Placed* placed : *tasks) {
    const int64_t leased = placed->task->leased_us();
    placed->slot = TakeLane(&free_at, leased, leased + LengthsOf(*placed).render);
  }
  lanes->slots = static_cast<int>(free_at.size());
  std::vector<int64_t> next_lease(free_at.size(), INT64_MAX);
  for (auto it = tasks->rbegin(); it != tasks->rend(); ++it) {
    Placed* placed = *it;
    const TracedTask& task = *placed->task;
    const Lengths of = LengthsOf(*placed);
    const int64_t way = task.finished_us() - task.leased_us() - of.all;
    const int64_t room = next_lease[placed->slot] - task.leased_us() - of.render;
    placed->began = task.leased_us() + std::max<int64_t>(0, std::min(way, room));
    placed->rendered = placed->began + of.render;
    next_lease[placed->slot] = task.leased_us();
  }
}

void PlaceOnSenders(std::vector<Placed*>* tasks, Timeline::Lanes* lanes) {
  std::stable_sort(tasks->begin(), tasks->end(),
                   [](const Placed* a, const Placed* b) { return a->rendered < b->rendered; });
  std::vector<int64_t> free_at;
  for (Placed* placed : *tasks) placed->sender = TakeLane(&free_at, placed->rendered, placed->task->committed_us());
  lanes->senders = static_cast<int>(free_at.size());
}

}  // namespace

bool IsSending(const std::string& what) { return what == "encode tiles" || what == "store tiles"; }

absl::Status CheckTask(const TracedTask& task) {
  const int64_t times[] = {0, task.ready_us(), task.leased_us(), task.finished_us(), task.committed_us(), kLatest};
  bool good = std::is_sorted(std::begin(times), std::end(times)) && task.span_size() <= kMostSpans;
  const auto available = static_cast<uint64_t>(task.finished_us() - task.leased_us());
  for (const Span& span : task.span()) {
    good = good && span.start_us() <= available && span.length_us() <= available - span.start_us();
  }
  if (good) return absl::OkStatus();
  return absl::DataLossError(
      absl::StrCat("the daemon sent times of ", task.pass(), " at ", task.frame(), " that make no sense"));
}

Timeline Place(const std::vector<TracedTask>& tasks) {
  Timeline timeline;
  for (const TracedTask& task : tasks) {
    if (!task.inner()) {
      timeline.tasks.push_back({.task = &task});
    } else if (!timeline.tasks.empty()) {
      timeline.tasks.back().inner.push_back(&task);
    }
  }
  std::map<std::string, std::vector<Placed*>> of_worker;
  timeline.first = INT64_MAX;
  for (Placed& placed : timeline.tasks) {
    of_worker[placed.task->worker()].push_back(&placed);
    timeline.first = std::min(timeline.first, placed.task->leased_us());
    timeline.last = std::max(timeline.last, placed.task->committed_us());
  }
  timeline.first = std::min(timeline.first, timeline.last);
  for (auto& [worker, placed] : of_worker) {
    Timeline::Lanes& lanes = timeline.workers[worker];
    PlaceOnSlots(&placed, &lanes);
    PlaceOnSenders(&placed, &lanes);
  }
  return timeline;
}

WhereTimeWent SumUp(const Timeline& timeline) {
  std::map<std::string, TimeSpent> spent;
  WhereTimeWent sum;
  const auto add = [&](const std::string& what, int64_t microseconds, uint64_t bytes) {
    TimeSpent& of = spent[what];
    of.what = what;
    of.seconds += static_cast<double>(microseconds) / 1e6;
    of.bytes += bytes;
  };
  double busy = 0;
  for (const Placed& placed : timeline.tasks) {
    const TracedTask& task = *placed.task;
    const Lengths of = LengthsOf(placed);
    int64_t known = 0;
    EachSpan(placed, [&](const Span& span) {
      add(span.what(), static_cast<int64_t>(span.length_us()), span.bytes());
      if (!IsSending(span.what())) known += static_cast<int64_t>(span.length_us());
    });
    // What came along and the job did not ask for is not among its tasks.
    if (of.render > known) add("other", of.render - known, 0);
    add("lease", task.finished_us() - task.leased_us() - of.all, 0);
    add("commit", task.committed_us() - task.finished_us(), 0);
    busy += static_cast<double>(placed.rendered - task.leased_us()) / 1e6;
  }
  for (const auto& [what, of] : spent) {
    if (of.seconds <= 0) continue;
    sum.rows.push_back(of);
    sum.total += of.seconds;
  }
  std::stable_sort(sum.rows.begin(), sum.rows.end(),
                   [](const TimeSpent& a, const TimeSpent& b) { return a.seconds > b.seconds; });
  for (const auto& [worker, lanes] : timeline.workers) sum.slots += lanes.slots;
  sum.slot_seconds = sum.slots * static_cast<double>(timeline.last - timeline.first) / 1e6;
  sum.idle_seconds = std::max(0.0, sum.slot_seconds - busy);
  return sum;
}

}  // namespace selvage::client
