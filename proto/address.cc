#include "proto/address.h"

#include <arpa/inet.h>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"

namespace selvage {

std::string Address::Text() const {
  return host.find(':') == std::string::npos ? absl::StrCat(host, ":", port) : absl::StrCat("[", host, "]:", port);
}

absl::StatusOr<Address> ParseLoopback(const std::string& text) {
  Address a;
  const size_t colon = text.rfind(':');
  const std::string port = colon == std::string::npos ? "" : text.substr(colon + 1);
  if (!absl::SimpleAtoi(port, &a.port) || a.port < 0 || a.port > 65535) {
    return absl::InvalidArgumentError(absl::StrCat("\"", text, "\" is not HOST:PORT, as in 127.0.0.1:7311"));
  }
  a.host = text.substr(0, colon);
  if (a.host.size() > 2 && a.host.front() == '[' && a.host.back() == ']') a.host = a.host.substr(1, a.host.size() - 2);
  in_addr four;
  in6_addr six;
  const bool loopback = a.host == "localhost" ||
                        (inet_pton(AF_INET, a.host.c_str(), &four) == 1 && ntohl(four.s_addr) >> 24 == 127) ||
                        (inet_pton(AF_INET6, a.host.c_str(), &six) == 1 && IN6_IS_ADDR_LOOPBACK(&six));
  if (!loopback) {
    return absl::InvalidArgumentError(
        absl::StrCat("\"", text,
                     "\" is not a loopback address; this version talks to its own machine only (127.0.0.1, [::1] or "
                     "localhost), because it has no encryption and no passwords yet"));
  }
  return a;
}

}  // namespace selvage
