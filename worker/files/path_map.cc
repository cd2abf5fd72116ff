#include "worker/files/path_map.h"

#include <algorithm>
#include <filesystem>
#include <string_view>

#include "absl/strings/str_cat.h"

namespace selvage::worker {
namespace {

bool LeadsUp(const std::string& path) {
  const std::filesystem::path parts(path);
  return std::find(parts.begin(), parts.end(), "..") != parts.end();
}

// Without a slash at the end; "" is the root.
std::string Folder(std::string_view text) {
  std::string folder = std::filesystem::path(text).lexically_normal().string();
  while (!folder.empty() && folder.back() == '/') folder.pop_back();
  return folder;
}

bool LiesIn(const std::string& path, const std::string& folder) {
  return path.starts_with(folder) && (path.size() == folder.size() || path[folder.size()] == '/');
}

}  // namespace

absl::StatusOr<PathMap> PathMap::Parse(const std::vector<std::string>& lines) {
  PathMap map;
  for (const std::string& line : lines) {
    const auto wrong = [&](const char* why) {
      return absl::InvalidArgumentError(absl::StrCat(
          "\"", line, "\" ", why, "; write it as /studio=/mnt/studio: the daemon's folder = the same folder here"));
    };
    const size_t at = line.find('=');
    if (at == std::string::npos || line.find('=', at + 1) != std::string::npos)
      return wrong("must have one equals sign");
    const std::string from = line.substr(0, at), to = line.substr(at + 1);
    if (!from.starts_with('/') || !to.starts_with('/')) return wrong("must name two absolute folders");
    if (LeadsUp(from) || LeadsUp(to)) return wrong("must not have \"..\"");
    const std::string folder = Folder(from);
    for (const auto& [known, here] : map.folders_) {
      if (known == folder) return wrong("names the same folder as another one");
    }
    map.folders_.emplace_back(folder, Folder(to));
  }
  std::sort(map.folders_.begin(), map.folders_.end(),
            [](const auto& a, const auto& b) { return a.first.size() > b.first.size(); });
  return map;
}

absl::StatusOr<std::string> PathMap::Here(const std::string& path) const {
  for (const auto& [folder, here] : folders_) {
    if (!LiesIn(path, folder)) continue;
    // Where it is mounted elsewhere, "above" is somewhere else, too.
    if (LeadsUp(path)) return absl::InvalidArgumentError(absl::StrCat(path, " leads out of ", folder, "/ by \"..\""));
    return here + path.substr(folder.size());
  }
  return path;
}

}  // namespace selvage::worker
