// A worker without pixels: "renders" bytes that depend on the steps and on the
// contents of the inputs, and on nothing else, over the real services.
#pragma once

#include <grpcpp/grpcpp.h>

#include <atomic>
#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "proto/cache.grpc.pb.h"
#include "proto/digest.h"
#include "proto/farm.grpc.pb.h"

namespace selvage {

class FakeWorker {
 public:
  // Asked before a task is run; an outcome is handed in instead of a result.
  // An outcome without a result: the task is swallowed, unless it has warnings or spans:
  // those go with the usual result.
  using Instead = std::function<std::optional<TaskOutcome>(const TaskSpec&)>;

  FakeWorker(std::shared_ptr<grpc::Channel> channel, const std::string& id, int slots = 2, Instead instead = nullptr,
             const std::string& version = "");
  ~FakeWorker();

  // Breaks the connection without a word, as kill -9 does.
  void Kill();
  // Says what it runs; by itself it does so at the beginning and after orders.
  void Report();
  // Once the stream is over.
  grpc::Status WaitForEnd();

  // Rendered tasks by pass ("plate NAME" for inspections).
  std::map<std::string, int> counts() const;
  int total() const;
  // Uploads nothing before it is asked to.
  std::atomic<bool> lazy{false};
  std::atomic<int> task_ms{0};
  // What is handed in instead says itself how long it took.
  std::atomic<bool> keeps_seconds{false};

  // What a task's result is, and its bytes.
  static Manifest Render(const TaskSpec& spec, std::string* content);

 private:
  void Loop();
  void RunTask(TaskSpec spec);
  // Makes what comes along, and has the task read it as if it were stored.
  void RunInner(TaskSpec* spec, TaskOutcome* outcome);
  void Upload(const Digest& digest, const std::string& content);

  const std::string id_;
  const int slots_;
  const Instead instead_;
  const std::string version_;
  std::unique_ptr<FarmService::Stub> farm_;
  std::unique_ptr<CacheService::Stub> cache_;
  grpc::ClientContext context_;
  std::unique_ptr<grpc::ClientReaderWriter<WorkerReport, WorkerOrders>> stream_;
  grpc::Status end_;
  mutable std::mutex mutex_;
  std::map<std::string, int> counts_;           // guarded by mutex_
  std::map<std::string, uint32_t> running_;     // guarded by mutex_
  std::map<std::string, std::thread> threads_;  // guarded by mutex_
  std::vector<std::thread> old_threads_;        // guarded by mutex_
  std::atomic<bool> dead_{false};
  std::thread loop_;
};

}  // namespace selvage
