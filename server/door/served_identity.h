// The certificate that is shown to those who connect, and its replacement while the
// daemon runs.
#pragma once

#include <grpcpp/security/tls_certificate_provider.h>

#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "server/door/authority.h"

namespace selvage {

// gRPC's own way to change a certificate is to watch two files, and to go on with whatever
// they hold. Here it watches one file in memory, which holds both parts and is only ever
// exchanged as a whole, for one that was checked: half a renewal locks nobody out.
class ServedIdentity {
 public:
  static absl::StatusOr<std::unique_ptr<ServedIdentity>> Serve(const Identity& identity);
  ~ServedIdentity();

  // Connections made from about a second on see it.
  absl::Status Replace(const Identity& identity);
  std::shared_ptr<grpc::experimental::CertificateProviderInterface> provider() const { return provider_; }

 private:
  explicit ServedIdentity(int fd) : fd_(fd) {}

  const int fd_;
  std::shared_ptr<grpc::experimental::CertificateProviderInterface> provider_;
};

}  // namespace selvage
