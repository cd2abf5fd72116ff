#include "cache/disk_room.h"

#include <sys/statvfs.h>

#include "absl/strings/str_cat.h"

namespace selvage {

uint64_t AvailableBytes(const std::string& folder) {
  struct statvfs s;
  if (statvfs(folder.c_str(), &s) != 0) return 0;
  return uint64_t{s.f_bavail} * s.f_frsize;
}

absl::Status CheckRoom(const std::string& folder, uint64_t bytes) {
  const uint64_t available = AvailableBytes(folder);
  if (available >= bytes) return absl::OkStatus();
  return absl::ResourceExhaustedError(absl::StrCat("no space left for the cache: ", available >> 20, " MiB free at ",
                                                   folder, ", ", (bytes >> 20) + 1, " MiB needed"));
}

}  // namespace selvage
