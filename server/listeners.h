// Where the daemon listens: in the clear on this machine, through the door beyond it.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "proto/address.h"
#include "server/door/door.h"
#include "server/grpc_server.h"

namespace selvage {

class Listeners {
 public:
  struct Options {
    // HOST:PORT each. Those of loopback have no door unless `require_tls`.
    std::vector<std::string> addresses;
    bool require_tls = false;
    Door::Options door;
  };
  // Needs nothing else of the daemon, so that what is wrong is said at once. Makes an
  // authority where one is needed. Errors: INVALID_ARGUMENT; FAILED_PRECONDITION no token.
  static absl::StatusOr<std::unique_ptr<Listeners>> Prepare(Options options);

  // Errors: UNAVAILABLE an address cannot be used.
  absl::Status Start(Engine* engine);
  // As GrpcServer has them, for all.
  void Tick();
  void StopServing();
  void Shutdown();

  // First of their kind, after Start; port 0 if there is none.
  const Address& plain() const { return plain_; }
  const Address& tls() const { return tls_; }
  // From within this process, where nothing is plain.
  std::shared_ptr<grpc::Channel> InProcess();
  // A socket at this path, for processes of this user only. After Start.
  // Errors: UNAVAILABLE it cannot be made.
  absl::Status ListenAt(const std::string& path);

 private:
  struct Place {
    Address address;
    bool tls = false;
  };
  std::vector<Place> places_;
  std::unique_ptr<Door> door_;
  std::vector<std::unique_ptr<GrpcServer>> servers_;
  std::unique_ptr<GrpcServer> inside_;
  // Given to Start, which the servers serve.
  Engine* engine_ = nullptr;
  Address plain_, tls_;
};

}  // namespace selvage
