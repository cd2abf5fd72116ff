#include "client/write_file.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>

#include "absl/strings/str_cat.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

absl::Status Refused(const std::string& path, const std::string& what, int error) {
  return absl::PermissionDeniedError(absl::StrCat(path, ": ", what, ": ", std::strerror(error)));
}

// 0, or errno.
int WriteAll(int fd, const std::string& bytes) {
  size_t done = 0;
  while (done < bytes.size()) {
    const ssize_t n = ::write(fd, bytes.data() + done, bytes.size() - done);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return n == 0 ? EIO : errno;
    done += static_cast<size_t>(n);
  }
  return ::fsync(fd) == 0 ? 0 : errno;
}

void SyncFolder(const fs::path& folder) {
  const int dir = ::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (dir < 0) return;
  ::fsync(dir);
  ::close(dir);
}

fs::path FolderOf(const std::string& path) {
  const fs::path target(path);
  return target.has_parent_path() ? target.parent_path() : fs::path(".");
}

}  // namespace

absl::Status WriteFileAtomically(const std::string& path, const std::string& bytes) {
  const fs::path folder = FolderOf(path);
  std::error_code error;
  if (!fs::exists(folder, error)) {
    return absl::PermissionDeniedError(
        absl::StrCat(path, ": there is no folder ", folder.string(), "; make it first, or write somewhere else"));
  }
  const std::string temporary = absl::StrCat(path, ".", getpid(), ".tmp");
  const int fd = ::open(temporary.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
  if (fd < 0) return Refused(path, "cannot be written", errno);
  // Who may read and write it stays as it was.
  struct stat before;
  if (::stat(path.c_str(), &before) == 0) (void)::fchmod(fd, before.st_mode & 07777);
  int failed = WriteAll(fd, bytes);
  if (::close(fd) != 0 && failed == 0) failed = errno;
  if (failed == 0 && ::rename(temporary.c_str(), path.c_str()) != 0) failed = errno;
  if (failed != 0) {
    ::unlink(temporary.c_str());
    return Refused(path, "cannot be written", failed);
  }
  SyncFolder(folder);
  return absl::OkStatus();
}

absl::StatusOr<bool> MakeFolderOf(const std::string& path) {
  const fs::path folder = FolderOf(path);
  std::error_code error;
  const bool made = fs::create_directories(folder, error);
  if (error) return Refused(path, absl::StrCat("cannot make the folder ", folder.string()), error.value());
  return made;
}

}  // namespace selvage::client
