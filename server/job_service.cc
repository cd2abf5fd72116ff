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
template <class Reply>
class PlanCall final : public grpc::ServerUnaryReactor, public std::enable_shared_from_this<PlanCall<Reply>> {
 public:
  // `begin` gets what to do with the reply, and gives the handle.
  template <class Begin>
  static PlanCall* Start(Engine* engine, Reply* reply, const Begin& begin) {
    std::shared_ptr<PlanCall> call(new PlanCall(engine));
    call->self_ = call;
    std::weak_ptr<PlanCall> weak = call;
    auto handle = begin([weak, reply](absl::StatusOr<Reply> result) {
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

// Progress of something, to its end. Each message is complete, so while one is
// on its way only the newest waits.
template <class Message>
class NewestCall final : public grpc::ServerWriteReactor<Message>,
                         public OpenCall,
                         public std::enable_shared_from_this<NewestCall<Message>> {
 public:
  static std::shared_ptr<NewestCall> Start(OpenCalls* calls) {
    std::shared_ptr<NewestCall> call(new NewestCall(calls));
    call->self_ = call;
    calls->Add(call);
    return call;
  }

  // From any thread; nothing happens once the call is over.
  void Show(const Message& message, bool last) {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    if (finished_) return;
    next_ = message;
    last_ = last_ || last;
    if (!writing_) WriteNext();
  }
  void End(const absl::Status& why) override {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    if (std::exchange(finished_, true)) return;
    this->Finish(ToGrpc(why));
  }
  bool over() {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    return finished_;
  }
  // Called once the call is done with, at once if it is.
  void OnGone(std::function<void()> gone) {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    if (done_) return gone();
    gone_ = std::move(gone);
  }

 private:
  explicit NewestCall(OpenCalls* calls) : calls_(calls) {}

  void WriteNext() {
    current_ = std::move(*next_);
    next_.reset();
    writing_ = true;
    this->StartWrite(&current_);
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
    std::shared_ptr<NewestCall> self;
    {
      std::lock_guard<std::recursive_mutex> lock(mutex_);
      done_ = true;
      if (gone_) gone_();
      self = std::move(self_);
    }
    calls_->Remove(self);
  }

  OpenCalls* const calls_;
  std::shared_ptr<NewestCall> self_;
  std::recursive_mutex mutex_;
  bool finished_ = false, writing_ = false, last_ = false, done_ = false;
  std::function<void()> gone_;
  std::optional<Message> next_;
  Message current_;
};

}  // namespace

grpc::ServerUnaryReactor* JobServiceImpl::Check(Context* c, const CheckRequest* request, CheckReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Check(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::Plan(Context*, const PlanRequest* request, PlanReply* reply) {
  return PlanCall<PlanReply>::Start(
      engine_, reply, [&](Then<PlanReply> then) { return engine_->MakePlanFor(*request, std::move(then)); });
}

grpc::ServerUnaryReactor* JobServiceImpl::Why(Context*, const WhyRequest* request, WhyReply* reply) {
  return PlanCall<WhyReply>::Start(engine_, reply,
                                   [&](Then<WhyReply> then) { return engine_->Why(*request, std::move(then)); });
}

grpc::ServerUnaryReactor* JobServiceImpl::Submit(Context* c, const SubmitRequest* request, SubmitReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Submit(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerWriteReactor<JobProgress>* JobServiceImpl::Watch(Context*, const WatchRequest* request) {
  const auto call = NewestCall<JobProgress>::Start(calls_);
  std::weak_ptr<NewestCall<JobProgress>> weak = call;
  engine_->Watch(
      request->job_id(),
      [weak](const JobProgress& progress, bool last) {
        if (const auto c = weak.lock()) c->Show(progress, last);
      },
      [weak, engine = engine_](absl::StatusOr<uint64_t> watcher) {
        const auto c = weak.lock();
        if (!c) {
          if (watcher.ok()) engine->Unwatch(*watcher);
        } else if (!watcher.ok()) {
          c->End(watcher.status());
        } else {
          c->OnGone([engine, number = *watcher] { engine->Unwatch(number); });
        }
      });
  return call.get();
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
    stream->Send(std::move(result->blob), 0, result->warnings);
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

grpc::ServerUnaryReactor* JobServiceImpl::CacheInfo(Context* c, const CacheInfoRequest* request,
                                                    CacheInfoReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->CacheInfo(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerWriteReactor<VerifyProgress>* JobServiceImpl::VerifyCache(Context*, const VerifyCacheRequest*) {
  const auto call = NewestCall<VerifyProgress>::Start(calls_);
  engine_->VerifyCache(
      [call](const VerifyProgress& progress) {
        if (!progress.done()) call->Show(progress, false);
        return !call->over();
      },
      [call](absl::StatusOr<VerifyProgress> result) {
        if (!result.ok()) return call->End(result.status());
        call->Show(*result, true);
      });
  return call.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::Release(Context* c, const ReleaseRequest* request, ReleaseReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Release(request->stack_name(), Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::Backup(Context* c, const BackupRequest* request, BackupReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Backup(*request, Answer(reactor, reply));
  return reactor;
}

}  // namespace selvage
