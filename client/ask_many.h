// Asks the daemon for many things, several at once.
#pragma once

#include <cstddef>
#include <functional>

#include "absl/status/status.h"
#include "client/connection.h"
#include "client/stopper.h"

namespace selvage::client {

// How far it is.
using Progress = std::function<void(size_t done, size_t of)>;

// Calls `ask` for 0 to `count` - 1 on several threads: as many as the daemon's workers keep
// busy. The first one (in order) that fails ends it. Tells `progress` now and then; `stopper`
// may end it from another thread, and may be null.
absl::Status AskMany(Connection& connection, size_t count, const std::function<absl::Status(size_t)>& ask,
                     const Progress& progress, Stopper* stopper = nullptr);

// The same, and says on standard error how far it is: "12 of 48 frames measured" for `what`
// "frames measured".
absl::Status AskMany(Connection& connection, size_t count, const std::function<absl::Status(size_t)>& ask,
                     const char* what);

}  // namespace selvage::client
