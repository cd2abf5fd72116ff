// RocksDB's statuses as ours. Include only from rocks_*.cc.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "rocksdb/status.h"

namespace selvage {

inline absl::Status FromRocks(const rocksdb::Status& s) {
  if (s.ok()) return absl::OkStatus();
  const std::string text = s.ToString();
  if (s.IsNoSpace()) return absl::ResourceExhaustedError(absl::StrCat("the disk of the cache is full: ", text));
  if (s.IsCorruption()) return absl::DataLossError(text);
  return absl::UnavailableError(text);
}

// Of an attempt to open a folder: most often another daemon is there already.
inline absl::Status FromRocksOpen(const rocksdb::Status& s, const std::string& folder) {
  if (s.IsIOError() && s.ToString().find("lock") != std::string::npos) {
    return absl::UnavailableError(absl::StrCat(folder, " is in use by another process"));
  }
  // Files that others name are missing.
  if (s.IsPathNotFound()) return absl::DataLossError(absl::StrCat("opening ", folder, ": ", s.ToString()));
  const absl::Status status = FromRocks(s);
  return status.ok() ? status : absl::Status(status.code(), absl::StrCat("opening ", folder, ": ", status.message()));
}

}  // namespace selvage
