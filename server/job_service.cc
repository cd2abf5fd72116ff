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

// Unfinished jobs of one person: more than anybody looks after.
constexpr size_t kMostJobs = 200;

Asker AskerOf(const Caller& caller) {
  if (caller.local()) return {};
  return {.name = caller.name, .own_only = caller.role != Token::ADMINISTRATOR, .most_jobs = kMostJobs};
}

// For what may be done only to what is one's own.
template <class Reply, class Ask>
grpc::ServerUnaryReactor* AnswerFor(OpenCalls* calls, grpc::CallbackServerContext* c, Reply* reply, const Ask& ask) {
  auto* reactor = c->DefaultReactor();
  const absl::StatusOr<Caller> caller = calls->Who(*c);
  if (!caller.ok()) {
    reactor->Finish(ToGrpc(caller.status()));
  } else {
    ask(AskerOf(*caller), Answer(reactor, reply));
  }
  return reactor;
}

// Progress of something, to its end. Each message is complete, so while one is
// on its way only the newest waits.
template <class Message>
class NewestCall final : public Call<grpc::ServerWriteReactor<Message>> {
 public:
  static std::shared_ptr<NewestCall> Start(OpenCalls* calls, const grpc::ServerContextBase& context) {
    std::shared_ptr<NewestCall> call(new NewestCall(calls));
    call->Open(context);
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

// Messages that are there already, one after another.
template <class Message>
class PartsCall final : public Call<grpc::ServerWriteReactor<Message>> {
 public:
  static std::shared_ptr<PartsCall> Start(OpenCalls* calls, const grpc::ServerContextBase& context) {
    std::shared_ptr<PartsCall> call(new PartsCall(calls));
    call->Open(context);
    return call;
  }
  using Call<grpc::ServerWriteReactor<Message>>::over;

  // Once, from any thread. Each is a serialised message.
  void Send(std::vector<std::shared_ptr<const std::string>> parts) {
    this->IfOpen([&] {
      parts_ = std::move(parts);
      WriteNext();
    });
  }

 private:
  explicit PartsCall(OpenCalls* calls) : Call<grpc::ServerWriteReactor<Message>>(calls) {}

  void WriteNext() {
    if (next_ == parts_.size()) return this->End(absl::OkStatus());
    if (!current_.ParseFromString(*std::exchange(parts_[next_++], nullptr))) {
      return this->End(absl::InternalError("a message that was kept cannot be read"));
    }
    this->StartWrite(&current_);
  }
  void OnWriteDone(bool ok) override {
    if (!ok) return this->End(absl::CancelledError("the client went away"));
    this->IfOpen([&] { WriteNext(); });
  }

  // Touched inside IfOpen only.
  std::vector<std::shared_ptr<const std::string>> parts_;
  size_t next_ = 0;
  Message current_;
};

}  // namespace

grpc::ServerUnaryReactor* JobServiceImpl::Check(Context* c, const CheckRequest* request, CheckReply* reply) {
  const auto call = UnaryCall<CheckReply>::Start(calls_, *c, reply);
  if (call->over()) return call.get();
  engine_->Check(*request, call->gone(), call->Answer());
  return call.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::Plan(Context* c, const PlanRequest* request, PlanReply* reply) {
  const auto call = UnaryCall<PlanReply>::Start(calls_, *c, reply);
  if (call->over()) return call.get();
  const Engine::Handle handle = engine_->MakePlanFor(*request, call->Answer());
  call->WhenGone([engine = engine_, handle] { engine->Abandon(handle); });
  return call.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::Why(Context* c, const WhyRequest* request, WhyReply* reply) {
  const auto call = UnaryCall<WhyReply>::Start(calls_, *c, reply);
  if (call->over()) return call.get();
  const Engine::Handle handle = engine_->Why(*request, call->Answer());
  call->WhenGone([engine = engine_, handle] { engine->Abandon(handle); });
  return call.get();
}

grpc::ServerUnaryReactor* JobServiceImpl::Submit(Context* c, const SubmitRequest* request, SubmitReply* reply) {
  const auto call = UnaryCall<SubmitReply>::Start(calls_, *c, reply);
  if (call->over()) return call.get();
  const absl::StatusOr<Caller> caller = calls_->Who(*c);
  if (!caller.ok()) {
    call->End(caller.status());
  } else {
    engine_->Submit(*request, AskerOf(*caller), call->gone(), call->Answer());
  }
  return call.get();
}

grpc::ServerWriteReactor<JobProgress>* JobServiceImpl::Watch(Context* c, const WatchRequest* request) {
  const auto call = NewestCall<JobProgress>::Start(calls_, *c);
  if (call->over()) return call.get();
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

grpc::ServerUnaryReactor* JobServiceImpl::ListVersions(Context* c, const ListVersionsRequest* request,
                                                       ListVersionsReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->ListVersions(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::GetVersion(Context* c, const GetVersionRequest* request,
                                                     GetVersionReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->GetVersion(*request, Answer(reactor, reply));
  return reactor;
}

grpc::ServerUnaryReactor* JobServiceImpl::Cancel(Context* c, const JobRef* request, CancelReply* reply) {
  return AnswerFor(calls_, c, reply, [&](const Asker& asker, Then<CancelReply> then) {
    engine_->Cancel(request->job_id(), asker, std::move(then));
  });
}

grpc::ServerWriteReactor<FileChunk>* JobServiceImpl::Fetch(Context* c, const FetchRequest* request) {
  auto stream = FileStream::Start(engine_, calls_, *c, &digests_);
  if (stream->over()) return stream.get();
  engine_->Locate(*request, [stream, offset = request->offset()](absl::StatusOr<Located> file) {
    if (!file.ok()) return stream->End(file.status());
    if (file->origin) stream->Tell(*std::move(file->origin));
    stream->Send(std::move(file->blob), offset);
  });
  return stream.get();
}

grpc::ServerWriteReactor<TraceReply>* JobServiceImpl::Trace(Context* c, const TraceRequest* request) {
  const auto call = PartsCall<TraceReply>::Start(calls_, *c);
  if (call->over()) return call.get();
  engine_->Trace(request->job_id(), [call](absl::StatusOr<TaskTimes::Parts> parts) {
    if (!parts.ok()) return call->End(parts.status());
    call->Send(*std::move(parts));
  });
  return call.get();
}

grpc::ServerWriteReactor<FileChunk>* JobServiceImpl::Look(Context* c, const LookRequest* request) {
  auto stream = FileStream::Start(engine_, calls_, *c, &digests_);
  if (stream->over()) return stream.get();
  const auto handle = engine_->Look(*request, [stream](absl::StatusOr<LookResult> result) {
    if (!result.ok()) return stream->End(result.status());
    if (!result->errors.empty()) return stream->Refuse(result->errors);
    stream->TellSize(result->proxy);
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
  return AnswerFor(calls_, c, reply, [&](const Asker& asker, Then<InvalidateReply> then) {
    engine_->Invalidate(*request, asker, std::move(then));
  });
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

grpc::ServerWriteReactor<VerifyProgress>* JobServiceImpl::VerifyCache(Context* c, const VerifyCacheRequest*) {
  const auto call = NewestCall<VerifyProgress>::Start(calls_, *c);
  if (call->over()) return call.get();
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
  return AnswerFor(calls_, c, reply, [&](const Asker& asker, Then<ReleaseReply> then) {
    engine_->Release(request->stack_name(), asker, std::move(then));
  });
}

grpc::ServerUnaryReactor* JobServiceImpl::Backup(Context* c, const BackupRequest* request, BackupReply* reply) {
  auto* reactor = c->DefaultReactor();
  engine_->Backup(*request, Answer(reactor, reply));
  return reactor;
}

}  // namespace selvage
