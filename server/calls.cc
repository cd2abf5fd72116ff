#include "server/calls.h"

#include <string>

namespace selvage {

grpc::Status ToGrpc(const absl::Status& status) {
  if (status.ok()) return grpc::Status::OK;
  // Messages travel in trailers, which are limited to 8 KiB in all.
  constexpr size_t kMaxMessage = 4000;
  std::string message(status.message());
  if (message.size() > kMaxMessage) message.resize(kMaxMessage);
  // The codes are the same numbers by design of both libraries.
  return grpc::Status(static_cast<grpc::StatusCode>(status.raw_code()), message);
}

}  // namespace selvage
