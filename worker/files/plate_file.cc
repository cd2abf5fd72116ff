#include "worker/files/plate_file.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <optional>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/files/plate_header.h"

namespace selvage::worker {
namespace {

class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  ~Descriptor() {
    if (fd_ >= 0) close(fd_);
  }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  int get() const { return fd_; }

 private:
  int fd_;
};

int64_t MtimeNs(const struct stat& s) { return int64_t{s.st_mtim.tv_sec} * 1'000'000'000 + s.st_mtim.tv_nsec; }

bool SameFile(const struct stat& a, const struct stat& b) {
  return a.st_size == b.st_size && MtimeNs(a) == MtimeNs(b) && a.st_ino == b.st_ino;
}

absl::Status SystemError(const std::string& path, int error) {
  switch (error) {
    case ENOENT:
    case ENOTDIR:
      return absl::NotFoundError(absl::StrCat(path, " does not exist"));
    case EACCES:
    case EPERM:
      return absl::InvalidArgumentError(absl::StrCat(path, " may not be read (permission denied)"));
    default:
      return absl::UnavailableError(absl::StrCat(path, " could not be read: ", std::strerror(error)));
  }
}

absl::StatusOr<FileType> TypeOf(const PlateFile& file) {
  const std::optional<FileType> content = TypeByContent(file.bytes);
  const std::optional<FileType> name = TypeByName(file.path);
  if (!content) {
    return absl::InvalidArgumentError(absl::StrCat(
        file.path, " is no picture: its first bytes are not those of an OpenEXR, DPX, TIFF, PNG or JPEG file"));
  }
  if (name && *name != *content) {
    return absl::InvalidArgumentError(
        absl::StrCat(file.path, " holds ", TypeName(*content), " file, but its name says ", TypeName(*name), " file"));
  }
  return *content;
}

absl::StatusOr<std::string> ReadBytes(const std::string& path, int fd, uint64_t size) {
  std::string bytes;
  bytes.resize(size);
  size_t done = 0;
  while (done < size) {
    // One call takes at most 2 GiB.
    const ssize_t got =
        pread(fd, bytes.data() + done, std::min<size_t>(size - done, 1 << 30), static_cast<off_t>(done));
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return SystemError(path, errno);
    if (got == 0) return absl::AbortedError(absl::StrCat(path, " changed while it was read"));
    done += static_cast<size_t>(got);
  }
  return bytes;
}

}  // namespace

absl::StatusOr<PlateFile> ReadPlateFile(const std::string& path, const PlateLimits& limits) {
  // Non-blocking, so that a pipe under a plate's name cannot hang the worker.
  const Descriptor fd(open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  if (fd.get() < 0) return SystemError(path, errno);
  struct stat before;
  if (fstat(fd.get(), &before) != 0) return SystemError(path, errno);
  if (S_ISDIR(before.st_mode)) return absl::InvalidArgumentError(absl::StrCat(path, " is a folder, not a file"));
  if (!S_ISREG(before.st_mode)) return absl::InvalidArgumentError(absl::StrCat(path, " is not a regular file"));
  if (before.st_size == 0) return absl::InvalidArgumentError(absl::StrCat(path, " is empty"));

  PlateFile file;
  file.path = path;
  file.size = static_cast<uint64_t>(before.st_size);
  file.mtime_ns = MtimeNs(before);
  file.inode = before.st_ino;
  RETURN_IF_ERROR(CheckFileSize(file.size, limits), Annotate(path));
  ASSIGN_OR_RETURN(file.bytes, ReadBytes(path, fd.get(), file.size));
  struct stat after;
  if (fstat(fd.get(), &after) != 0) return SystemError(path, errno);
  if (!SameFile(before, after)) return absl::AbortedError(absl::StrCat(path, " changed while it was read"));

  file.digest = Sha256(file.bytes);
  ASSIGN_OR_RETURN(file.type, TypeOf(file));
  RETURN_IF_ERROR(CheckHeader(file.type, file.bytes), Annotate(path));
  return file;
}

}  // namespace selvage::worker
