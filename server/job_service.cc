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

// Progress of something, to its end. Each message is complete, so while one is
// on its way only the newest waits.
template <class Message>
class NewestCall final : public Call<grpc::ServerWriteReactor<Message>> {
 public:
  static std::shared_ptr<NewestCall> Start(OpenCalls* calls) {
    std::shared_ptr<NewestCall> call(new NewestCall(calls));
    call->Open();
    return call;
  }

  // From any thread; nothing happens once the call is over.
  void Show(const Message& message, bool last) {
    this->IfOpen([&] {
      next_ = message;
      last_ = last_ || last;
      if (!writing_) WriteNext();
    });
  }
  using Call<grpc::ServerWriteReactor<Message>>::over;
  // Called once the call is done with, at once if it is.
  void WhenClosed(std::function<void()> then) {
    {
      MutexLock lock(&mutex_);
      if (!closed_) {
        then_ = std::move(then);
        return;
      }
    }
    then();
  }

 private:
  explicit NewestCall(OpenCalls* calls) : Call<grpc::ServerWriteReactor<Message>>(calls) {}

  void WriteNext() {
    current_ = std::move(*next_);
    next_.reset();
    writing_ = true;
    this->StartWrite(&current_);
  }
  void OnWriteDone(bool ok) override {
    if (!ok) return this->End(absl::CancelledError("the client went away"));
    this->IfOpen([&] {
      writing_ = false;
      if (next_) return WriteNext();
      if (last_) this->End(absl::OkStatus());
    });
  }
  void OnClosed() override {
    std::function<void()> then;
    {
      MutexLock lock(&mutex_);
      closed_ = true;
      then = std::exchange(then_, nullptr);
    }
    if (then) then();
  }

  // Touched inside IfOpen only.
  bool writing_ = false, last_ = false;
  std::optional<Message> next_;
  Message current_;

  Mutex mutex_;
  bool closed_ ABSL_GUARDED_BY(mutex_) = false;
  std::function<void()> then_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace

grpc::ServerUnaryReactor* JobServiceImpl::Check(Context*, const CheckRequest* request, CheckReply* reply) {
  const auto call = UnaryCall<CheckReply>::Start(calls_, reply);
  engine_->Check(*request, call->gone(), call->Answer());
  return call.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::Plan(Context*, const PlanRequest* request, PlanReply* reply) {
  const auto call = UnaryCall<PlanReply>::Start(calls_, reply);
  const Engine::Handle handle = engine_->MakePlanFor(*request, call->Answer());
  call->WhenGone([engine = engine_, handle] { engine->Abandon(handle); });
  return call.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::Why(Context*, const WhyRequest* request, WhyReply* reply) {
  const auto call = UnaryCall<WhyReply>::Start(calls_, reply);
  const Engine::Handle handle = engine_->Why(*request, call->Answer());
  call->WhenGone([engine = engine_, handle] { engine->Abandon(handle); });
  return call.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::Submit(Context*, const SubmitRequest* request, SubmitReply* reply) {
  const auto call = UnaryCall<SubmitReply>::Start(calls_, reply);
  engine_->Submit(*request, call->gone(), call->Answer());
  return call.get();
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
          c->WhenClosed([engine, number = *watcher] { engine->Unwatch(number); });
        }
      });
  return call.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::ListJobs(Context* c, const ListJobsRequest* request, ListJobsReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->ListJobs(*request, Answer(reactor, reply));
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
  auto stream = FileStream::Start(engine_, calls_, &digests_);
  engine_->Locate(*request, [stream, offset = request->offset()](absl::StatusOr<BlobRef> blob) {
    if (!blob.ok()) return stream->End(blob.status());
    stream->Send(*std::move(blob), offset);
  });
  return stream.get();
}

grpc::ServerWriteReactor<FileChunk>* JobServiceImpl::Look(Context*, const LookRequest* request) {
  auto stream = FileStream::Start(engine_, calls_, &digests_);
  const auto handle = engine_->Look(*request, [stream](absl::StatusOr<LookResult> result) {
    if (!result.ok()) return stream->End(result.status());
    if (!result->errors.empty()) return stream->Refuse(result->errors);
    stream->Send(std::move(result->blob), 0, result->warnings);
  });
  stream->WhenGone([engine = engine_, handle] { engine->Abandon(handle); });
  return stream.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::RecordWritten(Context* c, const RecordWrittenRequest* request,
                                                        RecordWrittenReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->RecordWritten(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::FindWritten(Context* c, const FindWrittenRequest* request,
                                                      FindWrittenReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->FindWritten(*request, Answer(reactor, reply));
  return reactor;
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
