#include "server/door/door.h"

#include <spdlog/spdlog.h>

#include <ctime>
#include <map>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/door/certificate.h"
#include "proto/door/prepare_tls.h"
#include "proto/door/private_file.h"
#include "proto/door/route.h"
#include "proto/status.h"
#include "proto/version.h"
#include "server/calls.h"
#include "server/door/permissions.h"

namespace selvage {
namespace {

constexpr char kBearer[] = "Bearer ";
// Certificates made here are looked at this often, and replaced long before they run out.
constexpr int64_t kLookSeconds = 3600;
constexpr int64_t kTellSeconds = 60;

int64_t Now() { return static_cast<int64_t>(std::time(nullptr)); }

using Metadata = std::multimap<grpc::string_ref, grpc::string_ref>;

std::optional<std::string> Find(const Metadata& metadata, const char* name) {
  const auto it = metadata.find(name);
  if (it == metadata.end()) return std::nullopt;
  return std::string(it->second.data(), it->second.size());
}

absl::StatusOr<Caller> FindCaller(const Tokens& tokens, const std::string* authorization) {
  if (authorization == nullptr || authorization->rfind(kBearer, 0) != 0) {
    return absl::UnauthenticatedError(
        "this daemon asks for a token; `selvage connect HOST:PORT` takes the one that the daemon's administrator made "
        "with `selvaged token add`");
  }
  return tokens.Find(authorization->substr(sizeof kBearer - 1), Now());
}

class Doorkeeper final : public grpc::AuthMetadataProcessor {
 public:
  explicit Doorkeeper(Door* door) : door_(door) {}
  bool IsBlocking() const override { return false; }
  grpc::Status Process(const InputMetadata& metadata, grpc::AuthContext*, OutputMetadata*, OutputMetadata*) override {
    const auto method = Find(metadata, ":path"), token = Find(metadata, "authorization"),
               version = Find(metadata, "selvage-version");
    return ToGrpc(door_->Admit(method.value_or(""), token ? &*token : nullptr, version ? &*version : nullptr));
  }

 private:
  Door* const door_;
};

std::string Stamp(const std::string& path) {
  struct stat s {};
  (void)::stat(path.c_str(), &s);
  return absl::StrCat(s.st_ino, " ", s.st_mtim.tv_sec, " ", s.st_mtim.tv_nsec, " ", s.st_size);
}

}  // namespace

absl::StatusOr<std::unique_ptr<Door>> Door::Open(const Options& options) {
  PrepareTls();
  if (options.tls_cert.empty() != options.tls_key.empty()) {
    return absl::FailedPreconditionError("--tls-cert and --tls-key belong together: give both or none");
  }
  std::unique_ptr<Door> door(new Door(options));
  ASSIGN_OR_RETURN(door->tokens_, Tokens::Open(options.state));
  door->FilesChanged();
  ASSIGN_OR_RETURN(const Identity identity, door->ReadIdentity());
  ASSIGN_OR_RETURN(door->served_, ServedIdentity::Serve(identity));
  ASSIGN_OR_RETURN(const std::vector<Certificate> chain, ReadCertificates(identity.chain));
  MutexLock lock(&door->mutex_);
  door->fingerprint_ = FingerprintText(chain.back().fingerprint);
  door->served_chain_ = identity.chain;
  return door;
}

absl::StatusOr<Identity> Door::ReadIdentity() const {
  if (options_.tls_cert.empty()) return OwnIdentity(options_.state, options_.hosts, Now());
  Identity identity;
  ASSIGN_OR_RETURN(identity.key, ReadSharedSecret(options_.tls_key), Annotate("--tls-key"));
  ASSIGN_OR_RETURN(identity.chain, ReadPublicFile(options_.tls_cert), Annotate("--tls-cert"));
  ASSIGN_OR_RETURN(const std::vector<Certificate> chain, ReadCertificates(identity.chain),
                   Annotate("--tls-cert ", options_.tls_cert));
  RETURN_IF_ERROR(CheckKeyOf(chain, identity.key, Now()),
                  Annotate("--tls-cert ", options_.tls_cert, ", --tls-key ", options_.tls_key));
  // Only what was understood goes on.
  identity.chain.clear();
  for (const Certificate& c : chain) identity.chain += c.pem;
  return identity;
}

absl::Status Door::CheckThatSomebodyMayCome() const {
  if (tokens_->CountGood(Now()) > 0) return absl::OkStatus();
  return absl::FailedPreconditionError(
      absl::StrCat("there is no token yet, so nobody could come in from another machine. Make one, and start again:\n"
                   "  selvaged token add NAME --role administrator --state ",
                   options_.state));
}

std::shared_ptr<grpc::ServerCredentials> Door::Credentials() {
  grpc::experimental::TlsServerCredentialsOptions options(served_->provider());
  options.watch_identity_key_cert_pairs();
  options.set_cert_request_type(GRPC_SSL_DONT_REQUEST_CLIENT_CERTIFICATE);
  auto credentials = grpc::experimental::TlsServerCredentials(options);
  credentials->SetAuthMetadataProcessor(std::make_shared<Doorkeeper>(this));
  return credentials;
}

std::string Door::Fingerprint() const {
  MutexLock lock(&mutex_);
  return fingerprint_;
}

absl::StatusOr<Caller> Door::Who(const grpc::ServerContextBase& context) const {
  const auto token = Find(context.client_metadata(), "authorization");
  return FindCaller(*tokens_, token ? &*token : nullptr);
}

bool Door::StillGood(const Caller& caller) const { return tokens_->StillGood(caller, Now()); }

absl::Status Door::Admit(const std::string& method, const std::string* authorization, const std::string* version) {
  if (NeedsNoToken(method)) return absl::OkStatus();
  const absl::Status status = [&]() -> absl::Status {
    ASSIGN_OR_RETURN(const Caller caller, FindCaller(*tokens_, authorization));
    // Programs that are not ours need not say one.
    if (version != nullptr && *version != kVersion) {
      return absl::FailedPreconditionError(absl::StrCat("this daemon is version ", kVersion, ", and you are version ",
                                                        version->substr(0, 40), "; they must be the same"));
    }
    return MayCall(caller.role, method);
  }();
  if (!status.ok()) Refused(status);
  return status;
}

// One line a minute, however many knock.
void Door::Refused(const absl::Status& why) {
  MutexLock lock(&mutex_);
  ++refused_;
  last_refusal_ = std::string(why.message());
}

void Door::Tick() {
  if (absl::Status s = tokens_->Refresh(); !s.ok()) {
    spdlog::error("the tokens stay as they were: {}", std::string(s.message()));
  }
  if (FilesChanged()) RefreshIdentity();
  if (Now() - told_unix_s_ < kTellSeconds) return;
  told_unix_s_ = Now();
  if (const FailedHandshakes failed = TakeFailedHandshakes(); failed.count > 0) {
    spdlog::warn("{} connections came to nothing; the last one: {}", failed.count, failed.last);
  }
  MutexLock lock(&mutex_);
  if (refused_ > 0) spdlog::warn("{} calls refused; the last one: {}", std::exchange(refused_, 0), last_refusal_);
}

bool Door::FilesChanged() {
  std::string stamp;
  if (options_.tls_cert.empty()) {
    if (Now() - looked_unix_s_ < kLookSeconds) return false;
    looked_unix_s_ = Now();
    return true;
  }
  stamp = absl::StrCat(Stamp(options_.tls_cert), "; ", Stamp(options_.tls_key));
  return std::exchange(stamp_, stamp) != stamp;
}

void Door::RefreshIdentity() {
  const absl::StatusOr<Identity> identity = ReadIdentity();
  if (!identity.ok()) {
    spdlog::error("the certificate stays as it was: {}", std::string(identity.status().message()));
    return;
  }
  const auto chain = ReadCertificates(identity->chain);
  MutexLock lock(&mutex_);
  if (!chain.ok() || identity->chain == served_chain_) return;
  if (absl::Status s = served_->Replace(*identity); !s.ok()) {
    spdlog::error("the certificate stays as it was: {}", std::string(s.message()));
    return;
  }
  served_chain_ = identity->chain;
  fingerprint_ = FingerprintText(chain->back().fingerprint);
  spdlog::info("a new certificate, good until {}; fingerprint {}", DateText(chain->front().until_unix_s), fingerprint_);
}

}  // namespace selvage
