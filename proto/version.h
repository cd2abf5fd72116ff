// Daemon, workers and client of one version belong together.
#pragma once

namespace selvage {

// From the project() line of the topmost CMakeLists.txt.
inline constexpr char kVersion[] = SELVAGE_VERSION;

}  // namespace selvage
