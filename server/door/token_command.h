// `selvaged token add | list | revoke`: works on the files of a state folder, whether or not
// a daemon runs there.
#pragma once

#include <string>

#include "absl/status/status.h"

namespace CLI {
class App;
}

namespace selvage {

class TokenCommand {
 public:
  // Below `selvaged`.
  void Declare(CLI::App* app);
  bool chosen() const { return !verb_.empty(); }
  // A new token is printed on standard output, and nothing else is there.
  absl::Status Run(const std::string& state) const;

 private:
  absl::Status Add(const std::string& state) const;
  static absl::Status List(const std::string& state);

  std::string verb_, name_, role_, expires_;
};

}  // namespace selvage
