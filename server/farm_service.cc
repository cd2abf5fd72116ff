#include "server/farm_service.h"

#include <deque>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/version.h"
#include "server/engine/task_inputs.h"

namespace selvage {

namespace {

constexpr size_t kMaxWorkerId = 64;
constexpr int kMaxRunning = 4096;

absl::Status CheckReport(const WorkerReport& r) {
  if (r.version() != kVersion) {
    return absl::FailedPreconditionError(
        absl::StrCat("this daemon is version ", kVersion, ", the worker is version ", r.version().substr(0, 40)));
  }
  if (r.worker_id().empty() || r.worker_id().size() > kMaxWorkerId) {
    return absl::InvalidArgumentError("a worker_id must have 1 to 64 bytes");
  }
  if (r.running_size() > kMaxRunning) return absl::InvalidArgumentError("too many running tasks");
  return absl::OkStatus();
}

// What comes from another machine carries the name of its token, so that nobody hands in under
// another's: "host:pid@token".
std::string BoundName(const Caller& caller, const std::string& name) {
  if (caller.local()) return name;
  const std::string suffix = "@" + caller.name;
  return name.substr(0, kMaxWorkerName - suffix.size()) + suffix;
}
std::string BoundId(const Caller& caller, const std::string& id) {
  return caller.local() ? id : absl::StrCat(id, "@", caller.name);
}

// One worker's stream. Orders wait here while one is being written; a worker
// that does not read cannot fill the memory, since it gets no more tasks than
// it has slots.
class WorkStream final : public Call<grpc::ServerBidiReactor<WorkerReport, WorkerOrders>>, public WorkerLink {
 public:
  static WorkStream* Start(Engine* engine, OpenCalls* calls, const grpc::ServerContextBase& context) {
    std::shared_ptr<WorkStream> stream(new WorkStream(engine, calls));
    stream->Open(context);
    if (auto caller = calls->Who(context); caller.ok()) {
      stream->caller_ = *std::move(caller);
    } else {
      stream->End(caller.status());
    }
    stream->ReadNext();
    return stream.get();
  }

  void Send(WorkerOrders orders) override {
    IfOpen([&] {
      waiting_.push_back(std::move(orders));
      if (!writing_) WriteNext();
    });
  }
  void Close(const absl::Status& why) override { End(why); }

 private:
  WorkStream(Engine* engine, OpenCalls* calls) : Call(calls), engine_(engine) {}
  std::shared_ptr<WorkStream> self() { return std::static_pointer_cast<WorkStream>(shared_from_this()); }

  void ReadNext() {
    IfOpen([this] { StartRead(&report_); });
  }
  void OnReadDone(bool ok) override {
    if (!ok) return End(absl::OkStatus());
    if (absl::Status s = CheckReport(report_); !s.ok()) return End(s);
    // One stream, one worker: a stream that changes its name is closed.
    if (worker_id_.empty()) worker_id_ = report_.worker_id();
    if (worker_id_ != report_.worker_id()) return End(absl::InvalidArgumentError("the worker_id changed"));
    report_.set_name(BoundName(caller_, report_.name()));
    report_.set_worker_id(BoundId(caller_, report_.worker_id()));
    engine_->Report(self(), report_);
    ReadNext();
  }
  void WriteNext() {
    current_ = std::move(waiting_.front());
    waiting_.pop_front();
    writing_ = true;
    StartWrite(&current_);
  }
  void OnWriteDone(bool ok) override {
    if (!ok) return End(absl::CancelledError("the worker went away"));
    IfOpen([this] {
      writing_ = false;
      if (!waiting_.empty()) WriteNext();
    });
  }
  void OnClosed() override { engine_->LinkClosed(self()); }

  Engine* const engine_;
  // Touched inside IfOpen only.
  bool writing_ = false;
  std::deque<WorkerOrders> waiting_;
  WorkerOrders current_;
  // Reactions to reads come one at a time.
  WorkerReport report_;
  std::string worker_id_;
  Caller caller_;
};

}  // namespace

grpc::ServerBidiReactor<WorkerReport, WorkerOrders>* FarmServiceImpl::Work(grpc::CallbackServerContext* c) {
  return WorkStream::Start(engine_, calls_, *c);
}

grpc::ServerUnaryReactor* FarmServiceImpl::Finish(grpc::CallbackServerContext* c, const TaskOutcome* request,
                                                  FinishReply* reply) {
  auto* reactor = c->DefaultReactor();
  const absl::StatusOr<Caller> caller = calls_->Who(*c);
  if (!caller.ok()) {
    reactor->Finish(ToGrpc(caller.status()));
    return reactor;
  }
  TaskOutcome outcome = *request;
  if (!caller->local()) {
    outcome.set_worker_name(BoundName(*caller, outcome.worker_name()));
    outcome.set_worker_id(BoundId(*caller, outcome.worker_id().substr(0, kMaxWorkerId)));
  }
  engine_->Finish(outcome, [reactor, reply](absl::StatusOr<FinishReply> result) {
    if (result.ok()) *reply = *std::move(result);
    reactor->Finish(ToGrpc(result.status()));
  });
  return reactor;
}

}  // namespace selvage
