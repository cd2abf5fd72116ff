#include "proto/door/route.h"

#include <google/protobuf/text_format.h>
#include <grpcpp/grpcpp.h>
#include <grpcpp/security/credentials.h>

#include <algorithm>
#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <map>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "proto/address.h"
#include "proto/door/certificate.h"
#include "proto/door/prepare_tls.h"
#include "proto/door/private_file.h"
#include "proto/status.h"
#include "proto/version.h"

namespace selvage {
namespace {

constexpr int kAskSeconds = 10;

// Goes with each call; never in the clear, which gRPC sees to.
class TokenOfCalls final : public grpc::MetadataCredentialsPlugin {
 public:
  explicit TokenOfCalls(std::string token) : authorization_("Bearer " + std::move(token)) {}
  bool IsBlocking() const override { return false; }
  const char* GetType() const override { return "selvage-token"; }
  grpc::string DebugString() override { return GetType(); }
  grpc::Status GetMetadata(grpc::string_ref, grpc::string_ref, const grpc::AuthContext&,
                           std::multimap<grpc::string, grpc::string>* metadata) override {
    metadata->emplace("authorization", authorization_);
    metadata->emplace("selvage-version", kVersion);
    return grpc::Status::OK;
  }

 private:
  const std::string authorization_;
};

}  // namespace

std::string KnownDaemonsFile() {
  if (const char* config = std::getenv("XDG_CONFIG_HOME"); config && *config) {
    return absl::StrCat(config, "/selvage/daemons");
  }
  const char* home = std::getenv("HOME");
  return absl::StrCat(home != nullptr ? home : "", "/.config/selvage/daemons");
}

absl::StatusOr<KnownDaemons> ReadKnownDaemons() {
  const std::string path = KnownDaemonsFile();
  ASSIGN_OR_RETURN(const auto text, ReadPrivateFile(path));
  KnownDaemons daemons;
  if (text && !google::protobuf::TextFormat::ParseFromString(*text, &daemons)) {
    return absl::FailedPreconditionError(
        absl::StrCat(path, ": is damaged; remove it and run `selvage connect HOST:PORT` again"));
  }
  return daemons;
}

absl::Status WriteKnownDaemons(const KnownDaemons& daemons) {
  const std::string path = KnownDaemonsFile();
  RETURN_IF_ERROR(MakePrivateFolder(std::filesystem::path(path).parent_path().string()));
  std::string text;
  google::protobuf::TextFormat::PrintToString(daemons, &text);
  return WritePrivateFile(path, "# Written by `selvage connect`. Holds secrets.\n" + text);
}

KnownDaemon* FindKnown(KnownDaemons* daemons, const std::string& address) {
  for (KnownDaemon& d : *daemons->mutable_daemon()) {
    if (d.address() == address) return &d;
  }
  return nullptr;
}

absl::StatusOr<Route> FindRoute(const std::string& server) {
  std::string wanted = server;
  if (const char* set = std::getenv("SELVAGE_SERVER"); wanted.empty() && set != nullptr) wanted = set;
  absl::StatusOr<KnownDaemons> read = ReadKnownDaemons();
  // Whoever names this machine needs nothing of it: services whose home nobody can read.
  if (const auto a = ParseAddress(wanted); !read.ok() && a.ok() && a->loopback()) read = KnownDaemons();
  ASSIGN_OR_RETURN(KnownDaemons daemons, std::move(read));
  if (wanted.empty()) wanted = daemons.chosen();
  if (wanted.empty()) wanted = kDefaultServer;
  ASSIGN_OR_RETURN(const Address address, ParseAddress(wanted), Annotate("--server"));
  Route route{address.Text()};
  if (KnownDaemon* known = FindKnown(&daemons, route.address)) {
    route.tls = true;
    route.known = std::move(*known);
  } else if (!address.loopback()) {
    return absl::FailedPreconditionError(absl::StrCat("the daemon at ", route.address,
                                                      " is beyond this machine and not known here yet: `selvage "
                                                      "connect ",
                                                      route.address, "` asks for its certificate and your token"));
  }
  return route;
}

absl::StatusOr<KnownDaemon> Trust(const std::string& address_text, const std::string& fingerprint,
                                  const std::string& authority_file) {
  ASSIGN_OR_RETURN(const Address address, ParseAddress(address_text));
  KnownDaemon known;
  known.set_address(address.Text());
  if (fingerprint.empty() == authority_file.empty()) {
    return absl::InvalidArgumentError("give either a fingerprint or the file of an authority");
  }
  ASSIGN_OR_RETURN(const std::vector<Certificate> chain, AskForCertificates(address.host, address.port, kAskSeconds));
  if (!authority_file.empty()) {
    ASSIGN_OR_RETURN(*known.mutable_certificate(), ReadPublicFile(authority_file));
    known.set_certificate_name(address.host);
  } else {
    ASSIGN_OR_RETURN(const Digest wanted, ParseFingerprint(fingerprint));
    for (const Certificate& c : chain) {
      if (c.fingerprint == wanted) known.set_certificate(c.pem);
    }
    if (known.certificate().empty()) {
      return absl::FailedPreconditionError(
          absl::StrCat("the daemon at ", known.address(), " has another certificate: its fingerprint is ",
                       FingerprintText(chain.back().fingerprint), ". Ask its administrator; nothing was sent to it"));
    }
    // An authority of a house vouches for many hosts: only the one that was seen is meant. One
    // that selvaged made has a name for itself, which is good under whatever address it is met.
    if (chain.front().names.empty()) return absl::FailedPreconditionError("the certificate names no host");
    const auto& names = chain.front().names;
    known.set_certificate_name(std::find(names.begin(), names.end(), address.host) != names.end() ? address.host
                                                                                                  : names.front());
  }
  const absl::Status s = CheckChain(chain, known.certificate(), known.certificate_name(), std::time(nullptr));
  if (s.ok()) return known;
  return absl::FailedPreconditionError(
      absl::StrCat("the daemon at ", known.address(), " cannot be trusted: ", s.message()));
}

std::shared_ptr<grpc::Channel> OpenChannel(const Route& route, const grpc::ChannelArguments& given) {
  grpc::ChannelArguments arguments = given;
  // Daemons are in the house: a proxy of the environment is not for them.
  arguments.SetInt(GRPC_ARG_ENABLE_HTTP_PROXY, 0);
  if (!route.tls) return grpc::CreateCustomChannel(route.address, grpc::InsecureChannelCredentials(), arguments);
  PrepareTls();
  arguments.SetSslTargetNameOverride(route.known.certificate_name());
  auto tls = grpc::SslCredentials({.pem_root_certs = route.known.certificate()});
  if (!route.known.token().empty()) {
    tls = grpc::CompositeChannelCredentials(
        tls, grpc::MetadataCredentialsFromPlugin(std::make_unique<TokenOfCalls>(route.known.token())));
  }
  return grpc::CreateCustomChannel(route.address, tls, arguments);
}

absl::Status Diagnose(const Route& route) {
  ASSIGN_OR_RETURN(const Address address, ParseAddress(route.address));
  ASSIGN_OR_RETURN(const std::vector<Certificate> chain, AskForCertificates(address.host, address.port, kAskSeconds));
  const absl::Status s =
      CheckChain(chain, route.known.certificate(), route.known.certificate_name(), std::time(nullptr));
  const std::string who = absl::StrCat("the daemon at ", route.address);
  if (s.ok()) return s;
  if (absl::IsFailedPrecondition(s)) {
    return absl::FailedPreconditionError(absl::StrCat(who, ": ", s.message(), "; its administrator must renew it"));
  }
  return absl::FailedPreconditionError(absl::StrCat(
      who, " shows another certificate than the one that is trusted (now ", FingerprintText(chain.back().fingerprint),
      "). If its administrator says that it was replaced, run `selvage connect ", route.address,
      "` again; else somebody may be listening in. Your token was not sent"));
}

std::string RoleText(Token::Role role) { return absl::AsciiStrToLower(Token::Role_Name(role)); }

Token::Role ParseRole(const std::string& text) {
  for (const Token::Role role : {Token::VIEWER, Token::SUBMITTER, Token::WORKER, Token::ADMINISTRATOR}) {
    if (RoleText(role) == text) return role;
  }
  return Token::ROLE_UNSPECIFIED;
}

}  // namespace selvage
