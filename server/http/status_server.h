// /healthz and /metrics over HTTP, on a thread of its own.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "proto/address.h"

namespace selvage {

class StatusServer {
 public:
  // Called for /metrics; gives the page to `then`, from any thread.
  using Metrics = std::function<void(std::function<void(std::string)> then)>;

  explicit StatusServer(Metrics metrics);
  ~StatusServer();

  // Returns the port. Errors: UNAVAILABLE the address cannot be used.
  absl::StatusOr<int> Start(const Address& address);
  // /healthz answers 503 from now on.
  void StopServing();
  void Stop();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace selvage
