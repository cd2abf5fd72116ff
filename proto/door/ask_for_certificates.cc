// A handshake that ends as soon as the other side has shown who it is.
#include <netdb.h>
#include <openssl/ssl.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstring>

#include "absl/strings/str_cat.h"
#include "proto/door/certificate.h"
#include "proto/door/openssl.h"
#include "proto/status.h"

namespace selvage {
namespace {

using Clock = std::chrono::steady_clock;

struct Socket {
  int fd = -1;
  ~Socket() {
    if (fd >= 0) ::close(fd);
  }
};

bool WaitFor(int fd, short events, Clock::time_point end) {
  const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(end - Clock::now()).count();
  pollfd what{fd, events, 0};
  return left > 0 && ::poll(&what, 1, static_cast<int>(left)) > 0;
}

// "" or why not.
std::string Connect(const addrinfo& to, Clock::time_point end, Socket* out) {
  out->fd = ::socket(to.ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
  if (out->fd < 0) return std::strerror(errno);
  if (::connect(out->fd, to.ai_addr, to.ai_addrlen) == 0) return "";
  if (errno != EINPROGRESS) return std::strerror(errno);
  if (!WaitFor(out->fd, POLLOUT, end)) return "no answer in time";
  int error = 0;
  socklen_t size = sizeof error;
  ::getsockopt(out->fd, SOL_SOCKET, SO_ERROR, &error, &size);
  return error == 0 ? "" : std::strerror(error);
}

absl::Status ConnectTo(const std::string& host, int port, Clock::time_point end, Socket* out) {
  addrinfo hints{}, *found = nullptr;
  hints.ai_socktype = SOCK_STREAM;
  if (const int error = ::getaddrinfo(host.c_str(), std::to_string(port).c_str(), &hints, &found); error != 0) {
    return absl::UnavailableError(absl::StrCat("the host \"", host, "\" is not known: ", ::gai_strerror(error)));
  }
  std::string why = "it has no address";
  for (const addrinfo* a = found; a != nullptr; a = a->ai_next) {
    Socket one;
    why = Connect(*a, end, &one);
    if (!why.empty()) continue;
    std::swap(one.fd, out->fd);
    break;
  }
  ::freeaddrinfo(found);
  if (!why.empty()) return absl::UnavailableError(absl::StrCat("nobody answers at ", host, ":", port, ": ", why));
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<std::vector<Certificate>> AskForCertificates(const std::string& host, int port, int seconds) {
  const Clock::time_point end = Clock::now() + std::chrono::seconds(seconds);
  Socket socket;
  RETURN_IF_ERROR(ConnectTo(host, port, end, &socket));
  const std::unique_ptr<SSL_CTX, Frees<SSL_CTX_free>> context(SSL_CTX_new(TLS_client_method()));
  SSL_CTX_set_min_proto_version(context.get(), TLS1_3_VERSION);
  // Nothing is believed yet: whoever asks decides by what is shown.
  SSL_CTX_set_verify(context.get(), SSL_VERIFY_NONE, nullptr);
  const std::unique_ptr<SSL, Frees<SSL_free>> ssl(SSL_new(context.get()));
  SSL_set_tlsext_host_name(ssl.get(), host.c_str());
  static constexpr unsigned char kHttp2[] = {2, 'h', '2'};
  SSL_set_alpn_protos(ssl.get(), kHttp2, sizeof kHttp2);
  SSL_set_fd(ssl.get(), socket.fd);
  for (;;) {
    const int done = SSL_connect(ssl.get());
    if (done == 1) break;
    const int error = SSL_get_error(ssl.get(), done);
    const bool more = error == SSL_ERROR_WANT_READ || error == SSL_ERROR_WANT_WRITE;
    if (more && WaitFor(socket.fd, error == SSL_ERROR_WANT_READ ? POLLIN : POLLOUT, end)) continue;
    const std::string why = more ? "no answer in time" : OpenSslError();
    return absl::UnavailableError(absl::StrCat("what answers at ", host, ":", port, " does not speak TLS 1.3 (", why,
                                               "); is it a selvaged that listens beyond its own machine?"));
  }
  std::vector<Certificate> chain;
  STACK_OF(X509)* shown = SSL_get_peer_cert_chain(ssl.get());
  for (int i = 0; i < sk_X509_num(shown); ++i) chain.push_back(Describe(sk_X509_value(shown, i)));
  SSL_shutdown(ssl.get());
  if (chain.empty()) return absl::UnavailableError(absl::StrCat(host, ":", port, " showed no certificate"));
  return chain;
}

}  // namespace selvage
