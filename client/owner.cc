#include "client/owner.h"

#include <pwd.h>
#include <unistd.h>

#include "absl/strings/str_cat.h"

namespace selvage::client {

std::string UserName() {
  const passwd* user = ::getpwuid(::getuid());
  return user == nullptr ? absl::StrCat("user", ::getuid()) : std::string(user->pw_name);
}

std::string HostName() {
  char name[256] = "";
  if (::gethostname(name, sizeof name - 1) != 0 || name[0] == 0) return "unknown";
  return name;
}

std::string Owner() { return absl::StrCat(UserName(), "@", HostName()); }

}  // namespace selvage::client
