#include "cache/backup.h"

#include <sys/stat.h>

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>

#include "cache/disk_room.h"
#include "cache/state_folder.h"
#include "proto/status.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

bool SameFileSystem(const std::string& a, const std::string& b) {
  struct stat x, y;
  return stat(a.c_str(), &x) == 0 && stat(b.c_str(), &y) == 0 && x.st_dev == y.st_dev;
}

absl::Status CheckPlace(const std::string& state_folder, const fs::path& to) {
  if (!to.is_absolute())
    return absl::InvalidArgumentError(absl::StrCat("backup: \"", to.string(), "\" is not an absolute path"));
  std::error_code ec;
  if (fs::symlink_status(to, ec).type() != fs::file_type::not_found) {
    return absl::AlreadyExistsError(absl::StrCat("backup: ", to.string(), " exists already; name a new folder"));
  }
  const fs::path parent = fs::canonical(to.parent_path(), ec);
  if (ec || !fs::is_directory(parent)) {
    return absl::NotFoundError(absl::StrCat("backup: there is no folder ", to.parent_path().string()));
  }
  const fs::path state = fs::canonical(state_folder, ec);
  const auto [in_state, rest] = std::mismatch(state.begin(), state.end(), parent.begin(), parent.end());
  if (in_state == state.end()) {
    return absl::InvalidArgumentError(absl::StrCat("backup: ", to.string(), " is inside the state folder"));
  }
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<uint64_t> BackUp(const std::string& state_folder, const std::string& to, RocksTileStore& tiles,
                                RocksResultIndex& index, Evictor& evictor)
    // Clang cannot follow a lock that a function hands out.
    ABSL_NO_THREAD_SAFETY_ANALYSIS {
  const fs::path place = fs::path(to).lexically_normal();
  RETURN_IF_ERROR(CheckPlace(state_folder, place));
  const std::string parent = place.parent_path().string();
  if (!SameFileSystem(state_folder, parent)) RETURN_IF_ERROR(CheckRoom(parent, AllocatedBytes(state_folder)));

  const std::string partial = place.string() + ".partial";
  std::error_code ec;
  fs::remove_all(partial, ec);
  absl::Status status = absl::OkStatus();
  {
    // Tiles that the copied index names must still be there when tiles are
    // copied. What is committed in between is only known to the tiles.
    const auto held = evictor.Hold();
    fs::create_directory(partial, ec);
    if (ec) return absl::UnavailableError(absl::StrCat("backup: creating ", partial, ": ", ec.message()));
    status = index.Checkpoint(partial + "/index");
    if (status.ok()) status = tiles.Checkpoint(partial + "/tiles");
  }
  if (status.ok()) status = FinishStateFolder(partial);
  if (status.ok() && std::rename(partial.c_str(), place.c_str()) != 0) {
    status = absl::UnavailableError(
        absl::StrCat("backup: renaming ", partial, " to ", place.string(), ": ", std::strerror(errno)));
  }
  if (!status.ok()) {
    fs::remove_all(partial, ec);
    return status;
  }
  return AllocatedBytes(place.string());
}

}  // namespace selvage
