#include "client/loom/page_files.h"

#include <filesystem>
#include <fstream>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"

// Of the build folder: one line a file, SELVAGE_PAGE_FILE(number, "/path").
#define SELVAGE_PAGE_FILE(number, path) \
  extern "C" const char selvage_page_##number##_begin[], selvage_page_##number##_end[];
#include "client/loom/page_list.inc"
#undef SELVAGE_PAGE_FILE

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

constexpr size_t kMostBytes = 16u << 20;

absl::Status NoSuch(const std::string& path) { return absl::NotFoundError(absl::StrCat("there is no ", path)); }

}  // namespace

absl::StatusOr<std::string> EmbeddedPageFile(const std::string& path) {
#define SELVAGE_PAGE_FILE(number, name)                                             \
  if (path == name) {                                                               \
    return std::string(selvage_page_##number##_begin, selvage_page_##number##_end); \
  }
#include "client/loom/page_list.inc"
#undef SELVAGE_PAGE_FILE
  return NoSuch(path);
}

absl::StatusOr<std::string> PageFileFrom(const std::string& folder, const std::string& path) {
  std::error_code error;
  const fs::path root = fs::canonical(folder, error);
  if (error) return NoSuch(path);
  const fs::path file = fs::canonical(root / path.substr(1), error);
  if (error || !fs::is_regular_file(file, error) || !absl::StartsWith(file.string(), root.string() + "/")) {
    return NoSuch(path);
  }
  if (fs::file_size(file, error) > kMostBytes) return NoSuch(path);
  std::ifstream in(file, std::ios::binary);
  return std::string((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
}

std::string PageFileType(const std::string& path) {
  const std::pair<const char*, const char*> types[] = {{".html", "text/html; charset=utf-8"},
                                                       {".css", "text/css; charset=utf-8"},
                                                       {".js", "text/javascript; charset=utf-8"},
                                                       {".json", "application/json"},
                                                       {".svg", "image/svg+xml"},
                                                       {".png", "image/png"},
                                                       {".woff2", "font/woff2"}};
  for (const auto& [ending, type] : types) {
    if (absl::EndsWith(path, ending)) return type;
  }
  return "application/octet-stream";
}

}  // namespace selvage::client
