#include "server/job_service.h"

#include <optional>
#include <utility>

namespace selvage {

namespace {

// Fills the reply and ends a unary call.
template <class Reply>
Then<Reply> Answer(grpc::ServerUnaryReactor* reactor, Reply* reply) {
  return [reactor, reply](absl::StatusOr<Reply> result) {
    if (result.ok()) *reply = *std::move(result);
    reactor->Finish(ToGrpc(result.status()));
  };
}

// A plan may wait for plates to be inspected; the client may not want to.
class PlanCall final : public grpc::ServerUnaryReactor, public std::enable_shared_from_this<PlanCall> {
 public:
  static PlanCall* Start(Engine* engine, const PlanRequest& request, PlanReply* reply) {
    std::shared_ptr<PlanCall> call(new PlanCall(engine));
    call->self_ = call;
    std::weak_ptr<PlanCall> weak = call;
    auto handle = engine->MakePlanFor(request, [weak, reply](absl::StatusOr<PlanReply> result) {
      const auto call = weak.lock();
      if (!call) return;
      std::lock_guard<std::recursive_mutex> lock(call->mutex_);
      if (call->finished_) return;
      call->finished_ = true;
      if (result.ok()) *reply = *std::move(result);
      call->Finish(ToGrpc(result.status()));
    });
    std::lock_guard<std::recursive_mutex> lock(call->mutex_);
    call->handle_ = handle;
    if (call->cancelled_) engine->Abandon(handle);
    return call.get();
  }

 private:
  explicit PlanCall(Engine* engine) : engine_(engine) {}
  void OnCancel() override {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    cancelled_ = true;
    if (handle_) engine_->Abandon(handle_);
    if (std::exchange(finished_, true)) return;
    Finish(grpc::Status::CANCELLED);
  }
  void OnDone() override {
    std::shared_ptr<PlanCall> self;
    {
      std::lock_guard<std::recursive_mutex> lock(mutex_);
      self = std::move(self_);
    }
  }

  Engine* const engine_;
  std::shared_ptr<PlanCall> self_;
  std::recursive_mutex mutex_;
  Engine::Handle handle_;
  bool finished_ = false, cancelled_ = false;
};

// Each message is complete, so while one is on its way only the newest waits.
class WatchCall final : public grpc::ServerWriteReactor<JobProgress>,
                        public OpenCall,
                        public std::enable_shared_from_this<WatchCall> {
 public:
  static WatchCall* Start(Engine* engine, OpenCalls* calls, const std::string& job_id) {
    std::shared_ptr<WatchCall> call(new WatchCall(engine, calls));
    call->self_ = call;
    calls->Add(call);
    std::weak_ptr<WatchCall> weak = call;
    engine->Watch(
        job_id,
        [weak](const JobProgress& progress, bool last) {
          if (const auto c = weak.lock()) c->Show(progress, last);
        },
        [weak, engine](absl::StatusOr<uint64_t> watcher) {
          const auto c = weak.lock();
          if (!c) {
            if (watcher.ok()) engine->Unwatch(*watcher);
          } else if (!watcher.ok()) {
            c->End(watcher.status());
          } else {
            c->SetWatcher(*watcher);
          }
        });
    return call.get();
  }

  void End(const absl::Status& why) override {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    if (std::exchange(finished_, true)) return;
    Finish(ToGrpc(why));
  }

 private:
  WatchCall(Engine* engine, OpenCalls* calls) : engine_(engine), calls_(calls) {}

  void Show(const JobProgress& progress, bool last) {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    if (finished_) return;
    next_ = progress;
    last_ = last_ || last;
    if (!writing_) WriteNext();
  }
  void SetWatcher(uint64_t watcher) {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    watcher_ = watcher;
    if (done_) engine_->Unwatch(watcher);
  }
  void WriteNext() {
    current_ = std::move(*next_);
    next_.reset();
    writing_ = true;
    StartWrite(&current_);
  }
  void OnWriteDone(bool ok) override {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    writing_ = false;
    if (finished_) return;
    if (!ok) return End(absl::CancelledError("the client went away"));
    if (next_) return WriteNext();
    if (last_) End(absl::OkStatus());
  }
  void OnCancel() override { End(absl::CancelledError("the client went away")); }
  void OnDone() override {
    std::shared_ptr<WatchCall> self;
    {
      std::lock_guard<std::recursive_mutex> lock(mutex_);
      done_ = true;
      if (watcher_ != 0) engine_->Unwatch(watcher_);
      self = std::move(self_);
    }
    calls_->Remove(self);
  }

  Engine* const engine_;
  OpenCalls* const calls_;
  std::shared_ptr<WatchCall> self_;
  std::recursive_mutex mutex_;
  bool finished_ = false, writing_ = false, last_ = false, done_ = false;
  uint64_t watcher_ = 0;
  std::optional<JobProgress> next_;
  JobProgress current_;
};

}  // namespace

grpc::ServerUnaryReactor* JobServiceImpl::Check(Context* c, const CheckRequest* request, CheckReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Check(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::Plan(Context*, const PlanRequest* request, PlanReply* reply) {
  return PlanCall::Start(engine_, *request, reply);
}

grpc::ServerUnaryReactor* JobServiceImpl::Submit(Context* c, const SubmitRequest* request, SubmitReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Submit(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerWriteReactor<JobProgress>* JobServiceImpl::Watch(Context*, const WatchRequest* request) {
  return WatchCall::Start(engine_, calls_, request->job_id());
}

grpc::ServerUnaryReactor* JobServiceImpl::ListJobs(Context* c, const ListJobsRequest* request, ListJobsReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->ListJobs(request->limit(), Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::GetJob(Context* c, const JobRef* request, GetJobReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->GetJob(request->job_id(), Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::Cancel(Context* c, const JobRef* request, CancelReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Cancel(request->job_id(), Answer(reactor, reply));
  return reactor;
}

grpc::ServerWriteReactor<FileChunk>* JobServiceImpl::Fetch(Context*, const FetchRequest* request) {
  auto stream = FileStream::Make(engine_, calls_, &digests_);
  engine_->Locate(*request, [stream, offset = request->offset()](absl::StatusOr<BlobRef> blob) {
    if (!blob.ok()) return stream->End(blob.status());
    stream->Send(*std::move(blob), offset);
  });
  return stream.get();
}

grpc::ServerWriteReactor<FileChunk>* JobServiceImpl::Look(Context*, const LookRequest* request) {
  auto stream = FileStream::Make(engine_, calls_, &digests_);
  const auto handle = engine_->Look(*request, [stream](absl::StatusOr<LookResult> result) {
    if (!result.ok()) return stream->End(result.status());
    if (!result->errors.empty()) return stream->Refuse(result->errors);
    stream->Send(std::move(result->blob), 0);
  });
  stream->OnGone([engine = engine_, handle] { engine->Abandon(handle); });
  return stream.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::Invalidate(Context* c, const InvalidateRequest* request,
                                                     InvalidateReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Invalidate(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::Workers(Context* c, const WorkersRequest*, WorkersReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Workers(Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::CacheInfo(Context* c, const CacheInfoRequest* request, CacheInfoReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->CacheInfo(*request, Answer(reactor, reply));
  return reactor;
}

}  // namespace selvage
