#include "worker/run/agent.h"

#include <grpcpp/grpcpp.h>
#include <spdlog/spdlog.h>
#include <unistd.h>

#include <atomic>
#include <chrono>
#include <deque>
#include <map>
#include <optional>
#include <random>
#include <thread>
#include <utility>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/farm.grpc.pb.h"
#include "proto/mutex.h"
#include "proto/version.h"
#include "worker/run/executor.h"

namespace selvage::worker {

namespace {

using Clock = std::chrono::steady_clock;
using std::chrono::milliseconds;

constexpr milliseconds kFirstPause{100}, kLongestPause{2000};
// Handing in again, while the daemon is away or its disk is full.
constexpr milliseconds kLongestHandInPause{10'000};
constexpr auto kFinishDeadline = std::chrono::seconds(60);
constexpr int kMaxRewrites = 5;
constexpr int kHandInsPerSlot = 4;

// Trying again would not help.
bool IsNotWanted(grpc::StatusCode code) {
  return code == grpc::StatusCode::FAILED_PRECONDITION || code == grpc::StatusCode::UNAUTHENTICATED ||
         code == grpc::StatusCode::PERMISSION_DENIED;
}

std::string RandomId() {
  std::random_device random;
  return absl::StrFormat("%08x%08x%08x%08x", random(), random(), random(), random());
}

std::string DefaultName() {
  char host[256] = "";
  (void)::gethostname(host, sizeof host - 1);
  return absl::StrCat(host, ":", ::getpid());
}

}  // namespace

std::shared_ptr<grpc::Channel> ConnectToDaemon(const Route& route) {
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_KEEPALIVE_TIME_MS, 20'000);
  arguments.SetInt(GRPC_ARG_KEEPALIVE_TIMEOUT_MS, 10'000);
  arguments.SetInt(GRPC_ARG_KEEPALIVE_PERMIT_WITHOUT_CALLS, 1);
  arguments.SetInt(GRPC_ARG_HTTP2_MAX_PINGS_WITHOUT_DATA, 0);
  arguments.SetInt(GRPC_ARG_INITIAL_RECONNECT_BACKOFF_MS, 100);
  arguments.SetInt(GRPC_ARG_MIN_RECONNECT_BACKOFF_MS, 100);
  arguments.SetInt(GRPC_ARG_MAX_RECONNECT_BACKOFF_MS, 2'000);
  // Each call gives a connection of its own.
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  arguments.SetMaxReceiveMessageSize(64 << 20);
  return OpenChannel(route, arguments);
}

struct Agent::Impl {
  struct Held {
    TaskSpec spec;
    uint32_t attempt = 0;
    // Holds no slot any more.
    bool rendered = false;
    // Its error is on its way to the daemon: whoever gives it out again means anew.
    bool failed = false;
    std::shared_ptr<std::atomic<bool>> stopped = std::make_shared<std::atomic<bool>>(false);
  };

  Impl(std::shared_ptr<grpc::Channel> control, std::shared_ptr<TileStore> store, const AgentOptions& o)
      : options(o),
        stub(FarmService::NewStub(control)),
        executor(std::move(store), ExecutorOptions{.memory_bytes = o.memory_bytes, .plates = o.plates, .map = o.map}),
        id(RandomId()) {
    if (options.name.empty()) options.name = DefaultName();
  }

  absl::Status Run();
  grpc::Status Converse();
  void WriteReports(grpc::ClientReaderWriter<WorkerReport, WorkerOrders>* stream, const bool* broken);
  void Obey(WorkerOrders orders);
  WorkerReport MakeReport() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex);
  void RunTasks();
  void HandInTasks();
  void HandIn(TaskOutcome outcome, const std::atomic<bool>& stopped);
  // Sleeps unless the task was stopped; false then.
  bool Pause(milliseconds time, const std::atomic<bool>& stopped);
  bool Idle() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) { return draining && held.empty(); }
  // Gives up what runs.
  void Leave() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) {
    leaving = true;
    for (auto& [key, h] : held) *h->stopped = true;
  }

  AgentOptions options;
  std::unique_ptr<FarmService::Stub> stub;
  Executor executor;
  const std::string id;

  Mutex mutex;
  // By key: waiting and running.
  std::map<std::string, std::shared_ptr<Held>> held ABSL_GUARDED_BY(mutex);
  std::deque<std::shared_ptr<Held>> waiting ABSL_GUARDED_BY(mutex);
  // Rendered, on their way to the daemon: a slot does not wait until its tiles are sent
  // and durable over there. Bounded, so that a daemon that takes nothing stops us.
  struct Rendered {
    std::shared_ptr<Held> task;
    TaskOutcome outcome;
  };
  std::deque<Rendered> rendered ABSL_GUARDED_BY(mutex);
  bool draining ABSL_GUARDED_BY(mutex) = false;
  bool leaving ABSL_GUARDED_BY(mutex) = false;
  // When what runs is given up; set when draining began.
  std::optional<Clock::time_point> leave_at ABSL_GUARDED_BY(mutex);
  uint64_t version ABSL_GUARDED_BY(mutex) = 0;  // raised when there is something to report
  milliseconds heartbeat ABSL_GUARDED_BY(mutex){5000};
};

WorkerReport Agent::Impl::MakeReport() {
  WorkerReport report;
  report.set_worker_id(id);
  report.set_name(options.name);
  report.set_slots(static_cast<uint32_t>(options.slots));
  report.set_draining(draining);
  report.set_version(kVersion);
  report.set_memory_bytes(executor.memory_bytes());
  for (const auto& [key, h] : held) {
    RunningTask* r = report.add_running();
    r->set_key(key);
    r->set_attempt(h->attempt);
    r->set_rendered(h->rendered);
  }
  return report;
}

void Agent::Impl::Obey(WorkerOrders orders) {
  MutexLock lock(&mutex);
  if (orders.heartbeat_ms() > 0) heartbeat = milliseconds(orders.heartbeat_ms());
  if (orders.drain()) draining = true;
  for (const RunningTask& s : orders.stop()) {
    auto it = held.find(s.key());
    if (it != held.end()) *it->second->stopped = true;
  }
  for (TaskSpec& spec : *orders.mutable_start()) {
    auto it = held.find(spec.key());
    if (it != held.end() && !*it->second->stopped && !it->second->failed) {
      it->second->attempt = spec.attempt();
      continue;
    }
    if (draining) continue;  // not in the next report: the daemon gives it to somebody else
    auto h = std::make_shared<Held>();
    h->attempt = spec.attempt();
    h->spec = std::move(spec);
    held[h->spec.key()] = h;
    waiting.push_back(h);
  }
  ++version;
}

// A thread a slot.
void Agent::Impl::RunTasks() {
  for (;;) {
    std::shared_ptr<Held> h;
    {
      MutexLock lock(&mutex);
      mutex.Await([this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) { return leaving || !waiting.empty(); });
      if (leaving) return;
      h = waiting.front();
      waiting.pop_front();
    }
    TaskOutcome outcome;
    if (!*h->stopped) {
      outcome = executor.Render(h->spec, [&] { return h->stopped->load(); });
      outcome.set_worker_id(id);
      outcome.set_worker_name(options.name);
      outcome.set_key(h->spec.key());
    }
    MutexLock lock(&mutex);
    mutex.Await([this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) {
      return leaving || rendered.size() < static_cast<size_t>(kHandInsPerSlot * options.slots);
    });
    h->rendered = true;
    ++version;
    rendered.push_back({std::move(h), std::move(outcome)});
  }
}

// A few threads a slot: each sends tiles and waits for an answer.
void Agent::Impl::HandInTasks() {
  MutexLock lock(&mutex);
  for (;;) {
    mutex.Await([this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) { return leaving || !rendered.empty(); });
    if (rendered.empty()) return;
    Rendered r = std::move(rendered.front());
    rendered.pop_front();
    mutex.Unlock();
    executor.Store(&r.outcome);
    mutex.Lock();
    r.task->failed = r.outcome.has_error();
    r.outcome.set_attempt(r.task->attempt);
    mutex.Unlock();
    // No job needs what was stopped; a result that is there anyway is handed in.
    if (r.outcome.result_case() != TaskOutcome::RESULT_NOT_SET && (!*r.task->stopped || !r.outcome.has_error())) {
      HandIn(std::move(r.outcome), *r.task->stopped);
    }
    mutex.Lock();
    auto it = held.find(r.task->spec.key());
    // It may have been stopped and given out again meanwhile; then its pixels are the other's too.
    if (it != held.end() && it->second == r.task) {
      held.erase(it);
      executor.Forget(r.task->spec.key());
    }
    ++version;
  }
}

bool Agent::Impl::Pause(milliseconds time, const std::atomic<bool>& stopped) {
  MutexLock lock(&mutex);
  mutex.AwaitFor(time, [&]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) { return leaving || stopped; });
  return !leaving && !stopped;
}

void Agent::Impl::HandIn(TaskOutcome outcome, const std::atomic<bool>& stopped) {
  milliseconds pause = kFirstPause;
  int rewrites = 0;
  bool said = false;
  for (;;) {
    grpc::ClientContext context;
    context.set_deadline(std::chrono::system_clock::now() + kFinishDeadline);
    FinishReply reply;
    const grpc::Status status = stub->Finish(&context, outcome, &reply);
    std::string trouble;
    if (status.ok()) {
      if (reply.missing().empty()) return;
      if (++rewrites <= kMaxRewrites) {
        const absl::Status written = executor.Rewrite(outcome);
        if (written.ok()) continue;
        trouble = absl::StrCat("the result cannot be stored: ", std::string(written.message()));
      } else {
        trouble = "the daemon keeps losing the result";
      }
    } else if (status.error_code() == grpc::StatusCode::INVALID_ARGUMENT) {
      trouble = absl::StrCat("the daemon refused the result: ", status.error_message());
    } else {
      // Away, or full: the result is good and is kept until it is taken.
      if (!std::exchange(said, true)) spdlog::warn("a result cannot be handed in yet: {}", status.error_message());
      if (!Pause(pause, stopped)) return;
      pause = std::min(pause * 2, kLongestHandInPause);
      continue;
    }
    if (outcome.has_error()) return;  // not even that: the lease will end
    outcome.clear_result();
    outcome.mutable_error()->set_class_(TaskError::INFRASTRUCTURE);
    outcome.mutable_error()->set_message(trouble);
  }
}

void Agent::Impl::WriteReports(grpc::ClientReaderWriter<WorkerReport, WorkerOrders>* stream, const bool* broken) {
  MutexLock lock(&mutex);
  uint64_t reported = 0;
  for (bool first = true; !*broken; first = false) {
    // A heartbeat is a report without news.
    if (!first) {
      mutex.AwaitFor(heartbeat,
                     [&]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) { return *broken || version != reported || leaving; });
    }
    if (*broken) return;
    reported = version;
    const WorkerReport report = MakeReport();
    // One that goes at once says so, too: what it has is then handed back, not lost.
    const bool last = leaving || Idle();
    mutex.Unlock();
    const bool written = stream->Write(report);
    mutex.Lock();
    if (!written || last) return;
  }
}

// One connection, from its first report to its end.
grpc::Status Agent::Impl::Converse() {
  grpc::ClientContext context;
  auto stream = stub->Work(&context);
  bool broken = false;
  std::thread reader([&] {
    WorkerOrders orders;
    bool first = true;
    while (stream->Read(&orders)) {
      if (std::exchange(first, false)) spdlog::info("connected as {}", options.name);
      Obey(std::move(orders));
    }
    MutexLock lock(&mutex);
    broken = true;
  });
  WriteReports(stream.get(), &broken);
  stream->WritesDone();
  bool ended;
  {
    // The daemon ends the stream when it has read the last report.
    MutexLock lock(&mutex);
    ended = mutex.AwaitFor(std::chrono::seconds(1), [&] { return broken; });
  }
  // Not otherwise: what the daemon said at the end would be lost.
  if (!ended) context.TryCancel();
  reader.join();
  return stream->Finish();
}

absl::Status Agent::Impl::Run() {
  std::vector<std::thread> runners;
  for (int i = 0; i < options.slots; ++i) runners.emplace_back([this] { RunTasks(); });
  for (int i = 0; i < kHandInsPerSlot * options.slots; ++i) runners.emplace_back([this] { HandInTasks(); });
  std::thread watchdog([this] {
    MutexLock lock(&mutex);
    mutex.Await([this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) { return leaving || leave_at.has_value(); });
    const auto left = [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) { return leaving; };
    if (!mutex.AwaitUntil(*leave_at, left)) Leave();
  });

  absl::Status result = absl::OkStatus();
  milliseconds pause = kFirstPause;
  std::string told;
  for (;;) {
    const auto begun = Clock::now();
    const grpc::Status status = Converse();
    const bool away = status.error_code() == grpc::StatusCode::UNAVAILABLE;
    const std::string known = away && options.explain ? options.explain() : "";
    MutexLock lock(&mutex);
    if (IsNotWanted(status.error_code())) {
      result = absl::Status(static_cast<absl::StatusCode>(status.error_code()), status.error_message());
      break;
    }
    if (leaving || Idle()) break;
    if (Clock::now() - begun > kLongestPause) pause = kFirstPause;
    if (pause == kFirstPause || (!known.empty() && known != told)) {
      spdlog::warn("no connection to the daemon ({}); trying again", known.empty() ? status.error_message() : known);
    }
    told = known;
    mutex.AwaitFor(pause, [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex) { return leaving || Idle(); });
    if (leaving || Idle()) break;
    pause = std::min(pause * 2, kLongestPause);
  }
  {
    MutexLock lock(&mutex);
    Leave();
  }
  watchdog.join();
  for (std::thread& t : runners) t.join();
  return result;
}

Agent::Agent(std::shared_ptr<grpc::Channel> control, std::shared_ptr<TileStore> store, const AgentOptions& options)
    : impl_(std::make_unique<Impl>(std::move(control), std::move(store), options)) {}
Agent::~Agent() = default;

absl::Status Agent::Run() { return impl_->Run(); }

void Agent::Drain(double grace_seconds) {
  MutexLock lock(&impl_->mutex);
  impl_->draining = true;
  impl_->leave_at =
      Clock::now() + std::chrono::duration_cast<Clock::duration>(std::chrono::duration<double>(grace_seconds));
  // What has not begun is handed back.
  for (const auto& h : impl_->waiting) impl_->held.erase(h->spec.key());
  impl_->waiting.clear();
  ++impl_->version;
}

}  // namespace selvage::worker
