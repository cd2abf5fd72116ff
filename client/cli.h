// The command line of `selvage`.
#pragma once

namespace selvage::client {

// Parses, runs, reports. Returns the exit code.
int RunCommandLine(int argc, char** argv);

}  // namespace selvage::client
