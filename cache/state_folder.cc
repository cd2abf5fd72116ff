#include "cache/state_folder.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "cache/format.h"
#include "proto/status.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

absl::Status SystemError(const std::string& what) {
  return absl::UnavailableError(absl::StrCat(what, ": ", std::strerror(errno)));
}

absl::Status SyncFolder(const std::string& folder) {
  const int fd = open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (fd < 0) return SystemError(folder);
  const bool ok = fsync(fd) == 0;
  close(fd);
  return ok ? absl::OkStatus() : SystemError(folder);
}

// Whole or not at all: temporary name, fsync, rename.
absl::Status WriteFormatFile(const std::string& folder) {
  const std::string path = folder + "/FORMAT", temporary = path + ".tmp";
  const int fd = open(temporary.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
  if (fd < 0) return SystemError(temporary);
  const ssize_t size = std::strlen(format::kFormatLine);
  const bool written = write(fd, format::kFormatLine, size) == size && fsync(fd) == 0;
  if (close(fd) != 0 || !written || rename(temporary.c_str(), path.c_str()) != 0) return SystemError(path);
  return SyncFolder(folder);
}

bool HoldsDatabases(const std::string& folder) {
  std::error_code ec;
  return fs::exists(folder + "/tiles", ec) || fs::exists(folder + "/index", ec);
}

}  // namespace

absl::StatusOr<bool> PrepareStateFolder(const std::string& folder) {
  std::error_code ec;
  fs::create_directories(folder, ec);
  if (ec) return absl::UnavailableError(absl::StrCat("creating the state folder ", folder, ": ", ec.message()));
  std::ifstream file(folder + "/FORMAT");
  if (!file) {
    if (HoldsDatabases(folder)) {
      return absl::FailedPreconditionError(
          absl::StrCat("the state folder ", folder, " holds a cache without a FORMAT file; give an empty folder"));
    }
    RETURN_IF_ERROR(WriteFormatFile(folder));
    return false;
  }
  std::stringstream text;
  text << file.rdbuf();
  if (text.str() == format::kFormatLine) return false;
  for (const char* old : format::kOldFormatLines) {
    if (text.str() == old) return true;
  }
  const std::string line = text.str().substr(0, std::min<size_t>(text.str().find('\n'), 60));
  return absl::FailedPreconditionError(absl::StrCat(
      "the state folder ", folder, " is of the format \"", line, "\", which this version does not know (it knows \"",
      std::string(format::kFormatLine, std::strlen(format::kFormatLine) - 1),
      "\"); use the version that wrote it, or give an empty folder"));
}

absl::Status FinishStateFolder(const std::string& folder) { return WriteFormatFile(folder); }

uint64_t AllocatedBytes(const std::string& folder) {
  uint64_t bytes = 0;
  std::error_code ec;
  for (fs::recursive_directory_iterator it(folder, ec), end; !ec && it != end; it.increment(ec)) {
    struct stat s;
    if (lstat(it->path().c_str(), &s) == 0) bytes += uint64_t{512} * s.st_blocks;
  }
  return bytes;
}

}  // namespace selvage
