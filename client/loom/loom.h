// `selvage loom`: a page for one artist, between the stack file on this machine and the daemon.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "client/globals.h"

namespace selvage::client {

struct LoomOptions {
  // A stack file, a job's id (read-only), or neither.
  std::string stack, job;
  // 0: any that is free.
  int port = 0;
  // Opens a browser.
  bool open = true;
  // The page's files from this folder; empty: those in the program.
  std::string page_from;
};

// Until Ctrl-C.
absl::Status RunLoom(const Globals& globals, const LoomOptions& options);

}  // namespace selvage::client
