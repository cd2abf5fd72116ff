// RocksDB's statuses as ours. Include only from rocks_*.cc.
#pragma once

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "rocksdb/status.h"

namespace selvage {

inline absl::Status FromRocks(const rocksdb::Status& s) {
  if (s.ok()) return absl::OkStatus();
  const std::string text = s.ToString();
  if (s.IsNoSpace()) return absl::ResourceExhaustedError(absl::StrCat("no space left for the cache: ", text));
  if (s.IsCorruption()) return absl::DataLossError(text);
  return absl::UnavailableError(text);
}

}  // namespace selvage
