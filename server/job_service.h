// JobService over the engine: decode, one call, encode.
#pragma once

#include "proto/job.grpc.pb.h"
#include "server/calls.h"
#include "server/engine/engine.h"
#include "server/file_stream.h"

namespace selvage {

class JobServiceImpl final : public JobService::CallbackService {
 public:
  JobServiceImpl(Engine* engine, OpenCalls* calls) : engine_(engine), calls_(calls) {}

  using Context = grpc::CallbackServerContext;
  grpc::ServerUnaryReactor* Check(Context* c, const CheckRequest* request, CheckReply* reply) override;
  grpc::ServerUnaryReactor* Plan(Context* c, const PlanRequest* request, PlanReply* reply) override;
  grpc::ServerUnaryReactor* Why(Context* c, const WhyRequest* request, WhyReply* reply) override;
  grpc::ServerUnaryReactor* Submit(Context* c, const SubmitRequest* request, SubmitReply* reply) override;
  grpc::ServerWriteReactor<JobProgress>* Watch(Context* c, const WatchRequest* request) override;
  grpc::ServerUnaryReactor* ListJobs(Context* c, const ListJobsRequest* request, ListJobsReply* reply) override;
  grpc::ServerUnaryReactor* GetJob(Context* c, const JobRef* request, GetJobReply* reply) override;
  grpc::ServerUnaryReactor* Cancel(Context* c, const JobRef* request, CancelReply* reply) override;
  grpc::ServerUnaryReactor* ListVersions(Context* c, const ListVersionsRequest* request,
                                         ListVersionsReply* reply) override;
  grpc::ServerUnaryReactor* GetVersion(Context* c, const GetVersionRequest* request, GetVersionReply* reply) override;
  grpc::ServerWriteReactor<FileChunk>* Fetch(Context* c, const FetchRequest* request) override;
  grpc::ServerUnaryReactor* RecordWritten(Context* c, const RecordWrittenRequest* request,
                                          RecordWrittenReply* reply) override;
  grpc::ServerUnaryReactor* FindWritten(Context* c, const FindWrittenRequest* request,
                                        FindWrittenReply* reply) override;
  grpc::ServerWriteReactor<TraceReply>* Trace(Context* c, const TraceRequest* request) override;
  grpc::ServerWriteReactor<FileChunk>* Look(Context* c, const LookRequest* request) override;
  grpc::ServerUnaryReactor* Invalidate(Context* c, const InvalidateRequest* request, InvalidateReply* reply) override;
  grpc::ServerUnaryReactor* Workers(Context* c, const WorkersRequest* request, WorkersReply* reply) override;
  grpc::ServerUnaryReactor* CacheInfo(Context* c, const CacheInfoRequest* request, CacheInfoReply* reply) override;
  grpc::ServerWriteReactor<VerifyProgress>* VerifyCache(Context* c, const VerifyCacheRequest* request) override;
  grpc::ServerUnaryReactor* Release(Context* c, const ReleaseRequest* request, ReleaseReply* reply) override;
  grpc::ServerUnaryReactor* Backup(Context* c, const BackupRequest* request, BackupReply* reply) override;

 private:
  Engine* const engine_;
  OpenCalls* const calls_;
  BlobDigests digests_;
};

}  // namespace selvage
