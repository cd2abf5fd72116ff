// A daemon in this process, with plates on disk, over a real port.
#pragma once

#include <grpcpp/grpcpp.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "cache/open.h"
#include "proto/job.grpc.pb.h"
#include "server/engine/engine.h"
#include "server/grpc_server.h"
#include "tests/server/fake_worker.h"

namespace selvage {

class Daemon {
 public:
  explicit Daemon(const CacheOptions& cache = {});
  ~Daemon();

  void Start();
  // As SIGTERM does.
  void Stop();
  // The cache stays: as if on disk.
  void Restart() {
    Stop();
    Start();
  }

  std::shared_ptr<grpc::Channel> Channel() const;
  JobService::Stub& jobs() { return *jobs_; }
  Cache& cache() { return cache_; }
  Engine& engine() { return *engine_; }
  std::string file(const std::string& name) const { return (folder_ / name).string(); }
  // What was posted before is done by then.
  void FinishPosted();
  void WritePlate(int frame, const std::string& bytes) const;

  // "key" is a soft matte of the plate, "hard" hangs from it; deliverable "matte".
  Stack TwoPasses(int frames = 3, double hard_black = 0.2) const;

  std::string Submit(const Stack& stack, const std::string& request_id = "");
  // The last message of the job.
  JobProgress WatchToEnd(const std::string& job);
  JobProgress Run(const Stack& stack) { return WatchToEnd(Submit(stack)); }
  PlanReply Plan(const Stack& stack);
  // Empty if the fetch failed; the status is in `status`.
  std::string Fetch(const std::string& job, int frame, uint64_t offset = 0);
  grpc::Status status;
  // For the next Start.
  EngineOptions options;

 private:
  std::filesystem::path folder_;
  std::unique_ptr<Pool> pool_;
  Cache cache_;
  std::unique_ptr<Engine> engine_;
  std::unique_ptr<GrpcServer> server_;
  std::unique_ptr<JobService::Stub> jobs_;
  int port_ = 0;
};

uint64_t Rendered(const JobProgress& p);
uint64_t Reused(const JobProgress& p);
const PassProgress* Line(const JobProgress& p, const std::string& pass);

}  // namespace selvage
