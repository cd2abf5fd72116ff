#include "client/trace/trace_events.h"

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "client/json.h"
#include "proto/version.h"

namespace selvage::client {
namespace {

constexpr char kBegin[] = R"({"otherData":{"made_by":"selvage )";
// Lanes of a worker: first its slots, then what it sends.
constexpr int kFirstSender = 1000;

// A line for each, however many there are: not laid out for reading.
class EventWriter {
 public:
  // What a lane, or (`thread` < 0) a worker, is called.
  void Name(int process, int thread, const std::string& name) {
    const std::string lane = thread >= 0 ? absl::StrCat(",\"tid\":", thread) : "";
    Append(absl::StrCat(R"({"ph":"M","pid":)", process, lane,
                        ",\"name\":", thread >= 0 ? R"("thread_name")" : R"("process_name")",
                        ",\"args\":{\"name\":", JsonText(name), "}}"));
  }
  // `args`: members of an object.
  void Slice(int process, int thread, const std::string& name, const char* category, int64_t from, int64_t to,
             const std::string& args) {
    if (to <= from) return;
    Append(absl::StrCat(R"({"ph":"X","pid":)", process, ",\"tid\":", thread, ",\"ts\":", from, ",\"dur\":", to - from,
                        ",\"name\":", JsonText(name), ",\"cat\":\"", category, "\",\"args\":{", args, "}}"));
  }
  const std::string& text() const { return text_; }

 private:
  void Append(const std::string& event) { absl::StrAppend(&text_, text_.empty() ? "" : ",\n", event); }

  std::string text_;
};

std::string NameOf(const TracedTask& task) { return absl::StrCat(task.pass(), " ", task.frame()); }

std::string ArgsOf(const TracedTask& task) {
  return absl::StrCat("\"pass\":", JsonText(task.pass()), ",\"frame\":", task.frame(),
                      ",\"step\":", JsonText(task.step()), ",\"attempt\":", task.attempt(),
                      ",\"ready_us\":", task.ready_us(), task.failed() ? ",\"failed\":true" : "");
}

void AddSpans(const Placed& placed, const TracedTask& task, int process, EventWriter* events) {
  for (const Span& span : task.span()) {
    const bool sends = IsSending(span.what());
    const int thread = sends ? kFirstSender + placed.sender : placed.slot;
    const auto from = placed.began + static_cast<int64_t>(span.start_us());
    std::string args = absl::StrCat("\"pass\":", JsonText(task.pass()));
    if (span.bytes() > 0) absl::StrAppend(&args, ",\"bytes\":", span.bytes());
    events->Slice(process, thread, span.what(), sends ? "send" : "render", from,
                  from + static_cast<int64_t>(span.length_us()), args);
  }
}

void AddTask(const Placed& placed, int process, EventWriter* events) {
  const TracedTask& task = *placed.task;
  const int sender = kFirstSender + placed.sender;
  events->Slice(process, placed.slot, NameOf(task), "task", task.leased_us(), placed.rendered, ArgsOf(task));
  events->Slice(process, placed.slot, "lease", "task", task.leased_us(), placed.began, {});
  AddSpans(placed, task, process, events);
  for (const TracedTask* inner : placed.inner) AddSpans(placed, *inner, process, events);
  events->Slice(process, sender, NameOf(task), "task", placed.rendered, task.committed_us(), ArgsOf(task));
  events->Slice(process, sender, "commit", "send", task.finished_us(), task.committed_us(), {});
}

}  // namespace

std::string TraceEvents(const std::string& job_id, const Timeline& timeline) {
  EventWriter events;
  std::map<std::string, int> process;
  for (const auto& [worker, lanes] : timeline.workers) {
    const int number = process[worker] = static_cast<int>(process.size()) + 1;
    events.Name(number, -1, absl::StrCat("worker ", worker));
    for (int i = 0; i < lanes.slots; ++i) events.Name(number, i, absl::StrCat("slot ", i + 1));
    for (int i = 0; i < lanes.senders; ++i) events.Name(number, kFirstSender + i, absl::StrCat("sends ", i + 1));
  }
  for (const Placed& placed : timeline.tasks) AddTask(placed, process[placed.task->worker()], &events);
  return absl::StrCat(kBegin, kVersion, "\",\"job\":", JsonText(job_id),
                      "},\"displayTimeUnit\":\"ms\",\"traceEvents\":[\n", events.text(), "\n]}\n");
}

bool IsTraceOfOurs(const std::string& begin) { return absl::StartsWith(begin, kBegin); }

}  // namespace selvage::client
