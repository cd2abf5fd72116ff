#include "client/start/path_list.h"

#include <algorithm>
#include <filesystem>
#include <map>
#include <set>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "client/start/plate_files.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

// A folder of a shot has thousands of files; one with more than this is none to choose from.
constexpr size_t kMostEntries = 200'000, kMostListed = 200;

bool FitsSort(const std::string& name, PathSort sort) {
  const std::string lower = absl::AsciiStrToLower(name);
  if (sort == PathSort::kStacks) return absl::EndsWith(lower, ".stack");
  for (const char* ending : {".exr", ".dpx", ".tif", ".tiff", ".png", ".jpg", ".jpeg"}) {
    if (absl::EndsWith(lower, ending)) return true;
  }
  return false;
}

}  // namespace

PathList PathsFrom(const std::string& begun, PathSort sort) {
  const size_t slash = begun.rfind('/');
  const std::string folder = slash == std::string::npos ? "" : begun.substr(0, slash + 1);
  const std::string rest = begun.substr(folder.size());
  std::set<std::string> folders, files;
  // Patterns, with the files that they stand for.
  std::map<std::string, std::vector<std::string>> sequences;
  std::error_code error;
  size_t read = 0;
  for (fs::directory_iterator entry(folder.empty() ? "." : folder, error), end;
       !error && entry != end && read < kMostEntries; entry.increment(error), ++read) {
    const std::string name = entry->path().filename().string();
    const bool hidden = name[0] == '.' && (rest.empty() || rest[0] != '.');
    std::error_code unreadable;
    if (hidden) continue;
    if (entry->is_directory(unreadable)) {
      if (absl::StartsWith(name, rest)) folders.insert(folder + name + "/");
    } else if (FitsSort(name, sort) && entry->is_regular_file(unreadable)) {
      const std::string pattern = sort == PathSort::kPictures ? PatternOfFrame(folder + name) : "";
      // Somebody may have typed the pattern, or one frame.
      const bool fits = absl::StartsWith(name, rest) || (!pattern.empty() && absl::StartsWith(pattern, begun));
      if (!fits) continue;
      if (pattern.empty()) {
        files.insert(folder + name);
      } else {
        sequences[pattern].push_back(folder + name);
      }
    }
  }
  for (const auto& [pattern, frames] : sequences) {
    // Two files may as well be two stills: shot_0360.png and shot_0720.png.
    if (frames.size() > 2) {
      files.insert(pattern);
    } else {
      files.insert(frames.begin(), frames.end());
    }
  }
  PathList list;
  list.paths.assign(folders.begin(), folders.end());
  list.paths.insert(list.paths.end(), files.begin(), files.end());
  if (list.paths.size() > kMostListed) {
    list.more = list.paths.size() - kMostListed;
    list.paths.resize(kMostListed);
  }
  return list;
}

}  // namespace selvage::client
