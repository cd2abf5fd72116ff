// Where the daemon's folders lie on this machine: the same disk is often mounted elsewhere.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"

namespace selvage::worker {

class PathMap {
 public:
  // Each as "/studio=/mnt/studio": a folder as the daemon names it, and the same folder here.
  // Errors: INVALID_ARGUMENT not of this form, not absolute, with "..", or one folder twice.
  static absl::StatusOr<PathMap> Parse(const std::vector<std::string>& lines);

  // The longest folder that the path lies in decides; a path in none of them is the same here.
  // Errors: INVALID_ARGUMENT the path leads out of its folder by "..".
  absl::StatusOr<std::string> Here(const std::string& path) const;
  bool empty() const { return folders_.empty(); }

 private:
  // The daemon's and ours, without a slash at the end; the longest first.
  std::vector<std::pair<std::string, std::string>> folders_;
};

}  // namespace selvage::worker
