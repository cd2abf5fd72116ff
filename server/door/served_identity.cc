#include "server/door/served_identity.h"

#include <fcntl.h>
#include <sys/mman.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>

#include "absl/strings/str_cat.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr unsigned kWatchSeconds = 1;

absl::StatusOr<int> InMemory(const Identity& identity) {
  const std::string bytes = identity.chain + identity.key;
  const int fd = ::memfd_create("selvage-identity", MFD_CLOEXEC);
  if (fd < 0) return absl::ResourceExhaustedError(absl::StrCat("no file in memory: ", std::strerror(errno)));
  if (::write(fd, bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size())) return fd;
  ::close(fd);
  return absl::ResourceExhaustedError("no memory for the certificate");
}

}  // namespace

absl::StatusOr<std::unique_ptr<ServedIdentity>> ServedIdentity::Serve(const Identity& identity) {
  ASSIGN_OR_RETURN(const int fd, InMemory(identity));
  std::unique_ptr<ServedIdentity> served(new ServedIdentity(fd));
  const std::string path = absl::StrCat("/proc/self/fd/", fd);
  served->provider_ = std::make_shared<grpc::experimental::FileWatcherCertificateProvider>(path, path, kWatchSeconds);
  return served;
}

ServedIdentity::~ServedIdentity() {
  provider_.reset();
  ::close(fd_);
}

absl::Status ServedIdentity::Replace(const Identity& identity) {
  ASSIGN_OR_RETURN(const int fd, InMemory(identity));
  // In one step: whoever opens the path has the one or the other.
  const bool done = ::dup3(fd, fd_, O_CLOEXEC) == fd_;
  ::close(fd);
  return done ? absl::OkStatus() : absl::InternalError("cannot exchange the certificate");
}

}  // namespace selvage
