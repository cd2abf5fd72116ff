#include "cache/set_aside.h"

#include <filesystem>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/time/clock.h"
#include "absl/time/time.h"
#include "cache/format.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

absl::Status Failed(const std::string& path, const std::error_code& error) {
  return absl::UnavailableError(absl::StrCat("setting damaged files aside: ", path, ": ", error.message()));
}

}  // namespace

absl::StatusOr<std::string> SetAside(const std::string& state_folder, const std::string& name,
                                     const std::function<bool(const std::string& file)>& damaged) {
  const fs::path from = fs::path(state_folder) / name;
  const std::string time = absl::FormatTime("%Y%m%d-%H%M%S", absl::Now(), absl::LocalTimeZone());
  // Several times in one second is possible.
  fs::path to;
  std::error_code error;
  for (int i = 0; to.empty() || fs::exists(to / name, error); ++i) {
    to = fs::path(state_folder) / absl::StrCat(format::kDamagedFolder, time, i == 0 ? "" : absl::StrCat("-", i));
  }
  to /= name;
  fs::create_directories(to, error);
  if (error) return Failed(to.string(), error);
  std::vector<fs::path> files;
  for (fs::directory_iterator it(from, error), end; !error && it != end; it.increment(error)) {
    if (damaged(it->path().filename().string())) files.push_back(it->path());
  }
  if (error) return Failed(from.string(), error);
  for (const fs::path& file : files) {
    fs::rename(file, to / file.filename(), error);
    if (error) return Failed(file.string(), error);
  }
  return to.string();
}

}  // namespace selvage
