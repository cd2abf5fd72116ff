// The gRPC side of the daemon: its services, health, limits, shutdown. One for this
// machine, and another for those beyond it.
#pragma once

#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "server/engine/engine.h"

namespace grpc {
class Channel;
}

namespace selvage {

class Door;

class GrpcServer {
 public:
  // With a door: TLS, and every call is checked there. Without: in the clear, everything is
  // allowed, so listen on loopback only.
  explicit GrpcServer(Engine* engine, Door* door = nullptr);
  ~GrpcServer();

  // Returns the port, which is chosen by the system for port 0.
  // Errors: UNAVAILABLE the address cannot be used.
  absl::StatusOr<int> Start(const std::string& host_and_port);

  // Within this process, as from this machine. REQUIRES: started, no door.
  std::shared_ptr<grpc::Channel> InProcess();

  // About every second: ends the calls of those whose token was revoked.
  void Tick();

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
