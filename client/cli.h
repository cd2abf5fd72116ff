// The command line of `selvage`.
#pragma once

#include <string>
#include <vector>

namespace selvage::client {

// Parses, runs, reports. Returns the exit code.
int RunCommandLine(int argc, char** argv);

}  // namespace selvage::client
