// The lease loop of a worker: reports what it has and does, takes tasks, hands
// in outcomes. Reconnects by itself with back-off.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "absl/status/status.h"
#include "cache/tile_store.h"
#include "proto/door/route.h"
#include "worker/files/path_map.h"
#include "worker/files/plate_limits.h"

namespace grpc {
class Channel;
}

namespace selvage::worker {

// A connection to the daemon with the keepalive that it expects. Control and
// tile bytes want one each, so that orders do not wait behind pictures.
std::shared_ptr<grpc::Channel> ConnectToDaemon(const Route& route);

struct AgentOptions {
  std::string name;  // default: host:pid
  // Why there is no connection, where that is known better than gRPC says; "" if not. May block.
  std::function<std::string()> explain;
  int slots = 1;
  size_t memory_bytes = size_t{1} << 30;
  PlateLimits plates;
  // Where the daemon's folders lie here.
  PathMap map;
};

class Agent {
 public:
  // `control` carries orders and outcomes; tile bytes go through `store`.
  Agent(std::shared_ptr<grpc::Channel> control, std::shared_ptr<TileStore> store, const AgentOptions& options);
  ~Agent();

  // Returns when drained (OK) or told to leave (FAILED_PRECONDITION: other version;
  // UNAUTHENTICATED, PERMISSION_DENIED: the daemon does not take its token).
  absl::Status Run();
  // From another thread (never from a signal handler: it locks): finish what runs,
  // within `grace_seconds`, and return.
  void Drain(double grace_seconds);

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace selvage::worker
