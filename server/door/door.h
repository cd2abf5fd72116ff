// The way in from other machines: TLS, tokens, roles. Every call that comes through is
// checked here before a service hears of it.
#pragma once

#include <grpcpp/security/server_credentials.h>
#include <grpcpp/server_context.h>
#include <sys/stat.h>

#include <memory>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "proto/mutex.h"
#include "server/door/caller.h"
#include "server/door/served_identity.h"
#include "server/door/tokens.h"

namespace selvage {

class Door {
 public:
  struct Options {
    std::string state;
    // Of a house that has its own; both or none.
    std::string tls_cert, tls_key;
    // Names and addresses of this machine, for the certificate that we make else.
    std::vector<std::string> hosts;
  };
  // Errors: FAILED_PRECONDITION what is there cannot be used; says what to do.
  static absl::StatusOr<std::unique_ptr<Door>> Open(const Options& options);

  // FAILED_PRECONDITION: there is no good token, so nobody could come in.
  absl::Status CheckThatSomebodyMayCome() const;

  std::shared_ptr<grpc::ServerCredentials> Credentials();
  // What `selvage connect` shows.
  std::string Fingerprint() const;

  // Errors: UNAUTHENTICATED. From any thread.
  absl::StatusOr<Caller> Who(const grpc::ServerContextBase& context) const;
  bool StillGood(const Caller& caller) const;
  // For a call: is its token good, may its role call this, is it of our version?
  absl::Status Admit(const std::string& method, const std::string* authorization, const std::string* version);

  // About every second, from one thread: takes up changed tokens and certificates, writes
  // down what was refused.
  void Tick();

 private:
  explicit Door(const Options& options) : options_(options) {}
  absl::StatusOr<Identity> ReadIdentity() const;
  bool FilesChanged();
  void RefreshIdentity();
  void Refused(const absl::Status& why);

  const Options options_;
  std::unique_ptr<Tokens> tokens_;
  std::unique_ptr<ServedIdentity> served_;
  // Of the files, as they were when they were read.
  std::string stamp_;
  int64_t looked_unix_s_ = 0, told_unix_s_ = 0;
  mutable Mutex mutex_;
  std::string fingerprint_ ABSL_GUARDED_BY(mutex_), served_chain_ ABSL_GUARDED_BY(mutex_);
  uint64_t refused_ ABSL_GUARDED_BY(mutex_) = 0;
  std::string last_refusal_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace selvage
