// Reports and fetches, as pages begin them and ask how far they are. Used from the loom's thread.
#pragma once

#include <functional>
#include <string>

#include "client/loom/daemon.h"
#include "client/loom/document.h"
#include "client/loom/http_server.h"
#include "client/loom/long_tasks.h"

namespace selvage::client {

class TaskCalls {
 public:
  TaskCalls(const Document* document, Daemon* daemon, LongTasks* tasks)
      : document_(document), daemon_(daemon), tasks_(tasks) {}

  // README.md, by the addresses.
  void Get(const Exchange& exchange);
  void Report(const Exchange& exchange);
  void Deliverables(const Exchange& exchange);
  void Fetch(const Exchange& exchange);

 private:
  // Gives `then` a job: of this id, or the newest of the loom's stack.
  void WithJob(const Exchange& exchange, const std::string& job, std::function<void(const GetJobReply&)> then);
  absl::Status FindJob(std::string job, const std::string& stack_name, GetJobReply* reply);

  const Document* const document_;
  Daemon* const daemon_;
  LongTasks* const tasks_;
};

}  // namespace selvage::client
