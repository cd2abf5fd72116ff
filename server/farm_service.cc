#include "server/farm_service.h"

#include <deque>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/version.h"

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

// One worker's stream. Orders wait here while one is being written; a worker
// that does not read cannot fill the memory, since it gets no more tasks than
// it has slots.
class WorkStream final : public Call<grpc::ServerBidiReactor<WorkerReport, WorkerOrders>>, public WorkerLink {
 public:
  static WorkStream* Start(Engine* engine, OpenCalls* calls) {
    std::shared_ptr<WorkStream> stream(new WorkStream(engine, calls));
    stream->Open();
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
};

}  // namespace

grpc::ServerBidiReactor<WorkerReport, WorkerOrders>* FarmServiceImpl::Work(grpc::CallbackServerContext*) {
  return WorkStream::Start(engine_, calls_);
}

grpc::ServerUnaryReactor* FarmServiceImpl::Finish(grpc::CallbackServerContext* c, const TaskOutcome* request,
                                                  FinishReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Finish(*request, [reactor, reply](absl::StatusOr<FinishReply> result) {
    if (result.ok()) *reply = *std::move(result);
    reactor->Finish(ToGrpc(result.status()));
  });
  return reactor;
}

}  // namespace selvage
