// The page's files, which travel inside the program.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"

namespace selvage::client {

struct PageFile {
  // As in its address: "/app.js".
  absl::string_view path;
  absl::string_view content;
};

// Errors: NOT_FOUND.
absl::StatusOr<std::string> EmbeddedPageFile(const std::string& path);
// From a folder, for those who work on the page. Errors: NOT_FOUND, also for what lies outside of it.
absl::StatusOr<std::string> PageFileFrom(const std::string& folder, const std::string& path);
// "text/javascript; charset=utf-8" by the ending.
std::string PageFileType(const std::string& path);

}  // namespace selvage::client
