// The way to a daemon: in the clear on this machine, with TLS and a token beyond it.
#pragma once

#include <memory>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "proto/door/door.pb.h"

namespace grpc {
class Channel;
class ChannelArguments;
}  // namespace grpc

namespace selvage {

inline constexpr char kDefaultServer[] = "127.0.0.1:7311";

struct Route {
  std::string address;
  // Otherwise this machine: `known` is empty.
  bool tls = false;
  KnownDaemon known;
};

// What `selvage connect` has stored: $XDG_CONFIG_HOME/selvage/daemons, else below ~/.config.
std::string KnownDaemonsFile();
// Empty if there is no such file. Errors: FAILED_PRECONDITION others may read it, or it is damaged.
absl::StatusOr<KnownDaemons> ReadKnownDaemons();
absl::Status WriteKnownDaemons(const KnownDaemons& daemons);
// nullptr if it is not known.
KnownDaemon* FindKnown(KnownDaemons* daemons, const std::string& address);

// `server`: HOST:PORT; if empty, that of SELVAGE_SERVER, else the chosen one, else this machine.
// Errors: FAILED_PRECONDITION it lies beyond this machine and is not known.
absl::StatusOr<Route> FindRoute(const std::string& server);

// Which certificate to trust, where nothing was stored: that of the fingerprint (any of those
// that the daemon shows), or an authority's file, which must vouch for the host's name.
// Empty: not given. Asks the daemon. Errors: UNAVAILABLE no answer; others: don't trust it.
absl::StatusOr<KnownDaemon> Trust(const std::string& address, const std::string& fingerprint,
                                  const std::string& authority_file);

// A channel that sends the token and our version with each call, over TLS 1.3.
std::shared_ptr<grpc::Channel> OpenChannel(const Route& route, const grpc::ChannelArguments& arguments);

// Why a daemon beyond this machine does not answer, in words that say what to do; asks
// its certificate again. OK: it shows what is trusted.
absl::Status Diagnose(const Route& route);

// "viewer", "submitter", "worker", "administrator"
std::string RoleText(Token::Role role);
// ROLE_UNSPECIFIED if it is none.
Token::Role ParseRole(const std::string& text);

}  // namespace selvage
