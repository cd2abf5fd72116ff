#include "proto/address.h"

#include <arpa/inet.h>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr size_t kLongestName = 253;  // of a host, RFC 1035

bool IsHost(const std::string& host, bool bracketed) {
  in6_addr six;
  if (bracketed) return inet_pton(AF_INET6, host.c_str(), &six) == 1;
  bool good = !host.empty() && host.size() <= kLongestName;
  for (const char c : host) {
    good = good && (absl::ascii_isalnum(static_cast<unsigned char>(c)) || c == '.' || c == '-' || c == '_');
  }
  return good;
}

}  // namespace

std::string Address::Text() const {
  return host.find(':') == std::string::npos ? absl::StrCat(host, ":", port) : absl::StrCat("[", host, "]:", port);
}

bool Address::loopback() const {
  in_addr four;
  in6_addr six;
  return host == "localhost" || (inet_pton(AF_INET, host.c_str(), &four) == 1 && ntohl(four.s_addr) >> 24 == 127) ||
         (inet_pton(AF_INET6, host.c_str(), &six) == 1 && IN6_IS_ADDR_LOOPBACK(&six));
}

absl::StatusOr<Address> ParseAddress(const std::string& text) {
  Address a;
  const size_t colon = text.rfind(':');
  const std::string port = colon == std::string::npos ? "" : text.substr(colon + 1);
  a.host = text.substr(0, colon);
  const bool bracketed = a.host.size() > 2 && a.host.front() == '[' && a.host.back() == ']';
  if (bracketed) a.host = a.host.substr(1, a.host.size() - 2);
  if (!absl::SimpleAtoi(port, &a.port) || a.port < 0 || a.port > 65535 || !IsHost(a.host, bracketed)) {
    return absl::InvalidArgumentError(absl::StrCat("\"", text, "\" is not HOST:PORT, as in 127.0.0.1:7311"));
  }
  return a;
}

absl::StatusOr<Address> ParseLoopback(const std::string& text) {
  ASSIGN_OR_RETURN(const Address a, ParseAddress(text));
  if (a.loopback()) return a;
  return absl::InvalidArgumentError(
      absl::StrCat("\"", text,
                   "\" is not a loopback address (127.0.0.1, [::1] or localhost); this has no encryption and asks for "
                   "no token, so nothing else is accepted"));
}

}  // namespace selvage
