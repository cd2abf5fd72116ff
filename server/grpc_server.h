// The gRPC side of the daemon: three services, health, limits, shutdown.
#pragma once

#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "server/engine/engine.h"

namespace selvage {

class GrpcServer {
 public:
  explicit GrpcServer(Engine* engine);
  ~GrpcServer();

  // Returns the port, which is chosen by the system for port 0.
  // Errors: UNAVAILABLE the address cannot be used.
  absl::StatusOr<int> Start(const std::string& host_and_port);

  // Health says NOT_SERVING; calls go on.
  void StopServing();
  // Ends every open call and waits for the last reaction, a few seconds at most.
  // REQUIRES: the pool still runs.
  void Shutdown();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace selvage
