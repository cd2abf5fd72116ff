// Times of day, as people type and read them.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/statusor.h"

namespace selvage::client {

int64_t NowUnixMs();

// "14:02" (today, or yesterday if that is still to come), "2026-11-25 14:02", or
// "90m", "2h", "3d" ago, as milliseconds since 1970.
// Errors: INVALID_ARGUMENT, a usage error.
absl::StatusOr<int64_t> ParseTime(const std::string& text, int64_t now_unix_ms);

// "14:02" for a time of today, else "2026-11-25 14:02"; "" for 0.
std::string TimeOfDay(int64_t unix_ms, int64_t now_unix_ms);

}  // namespace selvage::client
