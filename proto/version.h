// Daemon, workers and client of one version belong together.
#pragma once

namespace selvage {

inline constexpr char kVersion[] = "0.1.0";

}  // namespace selvage
