#include "proto/door/private_file.h"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "proto/status.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

constexpr size_t kMostBytes = 1 << 20;
constexpr size_t kShortestToken = 20, kLongestToken = 512;

class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  int get() const { return fd_; }
  int release() { return std::exchange(fd_, -1); }

 private:
  int fd_;
};

absl::Status Failed(const std::string& path, const char* what, int error) {
  return absl::FailedPreconditionError(absl::StrCat(path, ": ", what, ": ", std::strerror(error)));
}

void GiveToOwnerOfFolder(int fd, const std::string& path) {
  struct stat folder;
  if (::geteuid() != 0 || ::stat(fs::path(path).parent_path().c_str(), &folder) != 0) return;
  // Root can; should it fail, reading says so.
  [[maybe_unused]] const int done = ::fchown(fd, folder.st_uid, folder.st_gid);
}

absl::StatusOr<std::string> ReadAll(int fd, const std::string& path) {
  std::string bytes;
  char buffer[65536];
  for (;;) {
    const ssize_t n = ::read(fd, buffer, sizeof buffer);
    if (n < 0 && errno == EINTR) continue;
    if (n < 0) return Failed(path, "cannot be read", errno);
    if (n == 0) return bytes;
    bytes.append(buffer, static_cast<size_t>(n));
    if (bytes.size() > kMostBytes) return absl::InvalidArgumentError(absl::StrCat(path, ": has more than 1 MiB"));
  }
}

absl::StatusOr<std::optional<std::string>> ReadUnless(const std::string& path, mode_t forbidden) {
  const Descriptor file(::open(path.c_str(), O_RDONLY | O_CLOEXEC));
  if (file.get() < 0 && errno == ENOENT) return std::nullopt;
  if (file.get() < 0) return Failed(path, "cannot be read", errno);
  struct stat info;
  if (::fstat(file.get(), &info) != 0) return Failed(path, "cannot be read", errno);
  if (S_ISREG(info.st_mode) && (info.st_mode & forbidden) != 0) {
    return absl::FailedPreconditionError(absl::StrCat(path, ": others may read it, and it holds a secret; `chmod ",
                                                      (forbidden & 070) ? "600 " : "o= ", path, "` mends that"));
  }
  ASSIGN_OR_RETURN(std::string bytes, ReadAll(file.get(), path));
  return bytes;
}

absl::StatusOr<std::string> ReadExisting(const std::string& path, mode_t forbidden) {
  ASSIGN_OR_RETURN(std::optional<std::string> bytes, ReadUnless(path, forbidden));
  if (!bytes) return absl::FailedPreconditionError(absl::StrCat(path, ": there is no such file"));
  return *std::move(bytes);
}

}  // namespace

absl::StatusOr<std::optional<std::string>> ReadPrivateFile(const std::string& path) { return ReadUnless(path, 077); }

absl::StatusOr<std::string> ReadSharedSecret(const std::string& path) { return ReadExisting(path, 007); }
absl::StatusOr<std::string> ReadPublicFile(const std::string& path) { return ReadExisting(path, 0); }

absl::StatusOr<std::string> CheckToken(const std::string& text) {
  const std::string token(absl::StripAsciiWhitespace(text));
  bool printable = true;
  for (const char c : token) printable = printable && absl::ascii_isgraph(static_cast<unsigned char>(c));
  if (!printable || token.size() < kShortestToken || token.size() > kLongestToken) {
    // What it is instead is not said: it may be another secret.
    return absl::InvalidArgumentError("this is no token; `selvaged token add` prints one, a single word");
  }
  return token;
}

absl::StatusOr<std::string> ReadTokenFile(const std::string& path) {
  if (path == "-") {
    ASSIGN_OR_RETURN(const std::string text, ReadAll(STDIN_FILENO, "standard input"));
    return CheckToken(text);
  }
  ASSIGN_OR_RETURN(const std::string text, ReadSharedSecret(path));
  const absl::StatusOr<std::string> token = CheckToken(text);
  return token.ok() ? token : Annotate(path)(token.status());
}

absl::Status WritePrivateFile(const std::string& path, const std::string& bytes) {
  const std::string temporary = absl::StrCat(path, ".", ::getpid(), ".tmp");
  ::unlink(temporary.c_str());
  Descriptor file(::open(temporary.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600));
  if (file.get() < 0) return Failed(path, "cannot be written", errno);
  GiveToOwnerOfFolder(file.get(), path);
  int failed = 0;
  for (size_t done = 0; done < bytes.size() && failed == 0;) {
    const ssize_t n = ::write(file.get(), bytes.data() + done, bytes.size() - done);
    if (n > 0) done += static_cast<size_t>(n);
    if (n <= 0 && errno != EINTR) failed = n == 0 ? EIO : errno;
  }
  if (failed == 0 && ::fsync(file.get()) != 0) failed = errno;
  if (::close(file.release()) != 0 && failed == 0) failed = errno;
  if (failed == 0 && ::rename(temporary.c_str(), path.c_str()) != 0) failed = errno;
  if (failed != 0) {
    ::unlink(temporary.c_str());
    return Failed(path, "cannot be written", failed);
  }
  const Descriptor folder(::open(fs::path(path).parent_path().c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (folder.get() >= 0) ::fsync(folder.get());
  return absl::OkStatus();
}

absl::Status MakePrivateFolder(const std::string& path) {
  std::error_code error;
  fs::create_directories(fs::path(path).parent_path(), error);
  if (::mkdir(path.c_str(), 0700) == 0 || errno == EEXIST) return absl::OkStatus();
  return Failed(path, "cannot be made", errno);
}

absl::StatusOr<FileLock> FileLock::Take(const std::string& path) {
  Descriptor file(::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0600));
  if (file.get() < 0) return Failed(path, "cannot be made", errno);
  GiveToOwnerOfFolder(file.get(), path);
  while (::flock(file.get(), LOCK_EX) != 0) {
    if (errno != EINTR) return Failed(path, "cannot be locked", errno);
  }
  return FileLock(file.release());
}

FileLock::FileLock(FileLock&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
FileLock::~FileLock() {
  if (fd_ >= 0) ::close(fd_);
}

}  // namespace selvage
