#include "server/engine/roots.h"

#include <sys/stat.h>

#include <filesystem>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"

namespace selvage {

namespace fs = std::filesystem;

namespace {

bool IsBelow(const std::string& path, const std::string& root) {
  if (root == "/") return true;
  return path.size() > root.size() && path.compare(0, root.size(), root) == 0 && path[root.size()] == '/';
}

}  // namespace

absl::StatusOr<Roots> Roots::Open(const std::vector<std::string>& folders) {
  Roots roots;
  for (const std::string& folder : folders) {
    std::error_code error;
    const fs::path real = fs::canonical(folder, error);
    if (error || !fs::is_directory(real, error)) {
      return absl::NotFoundError(absl::StrCat("root \"", folder, "\" is not a folder"));
    }
    roots.real_.push_back(real.string());
  }
  return roots;
}

absl::StatusOr<FileState> Roots::Stat(const std::string& path) const {
  std::error_code error;
  // Resolves what exists, and takes away ".." from the rest.
  const std::string real = path.empty() || path[0] != '/' ? "" : fs::weakly_canonical(path, error).string();
  bool below = false;
  for (const std::string& root : real_) below |= !error && IsBelow(real, root);
  if (!below) return absl::PermissionDeniedError(path);
  struct stat s;
  if (::stat(real.c_str(), &s) != 0 || !S_ISREG(s.st_mode)) return absl::NotFoundError(path);
  FileState state;
  state.size = static_cast<uint64_t>(s.st_size);
  state.mtime_ns = int64_t{s.st_mtim.tv_sec} * 1'000'000'000 + s.st_mtim.tv_nsec;
  state.inode = s.st_ino;
  return state;
}

std::string Roots::Names() const { return absl::StrJoin(real_, ", "); }

}  // namespace selvage
