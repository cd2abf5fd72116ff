// Small things that a daemon does when it starts.
#pragma once

#include <string>

#include "absl/status/status.h"

namespace selvage {

// $XDG_STATE_HOME/selvage, else ~/.local/state/selvage.
std::string DefaultStateFolder();

// A fresh folder that only this user may enter; "" if there can be none. Not in the state
// folder: that is copied, and may lie where there are no sockets. Those that daemons left
// behind when they were killed are removed.
std::string MakeSocketFolder();
// Where the local worker connects, in that folder.
inline constexpr char kWorkerSocket[] = "worker";

// {"grpc": PORT, "tls": PORT, "http": PORT, "pid": PID}, 0 where it does not listen. The file appears whole: whoever
// waits for it never reads half of it.
absl::Status WritePortFile(const std::string& path, int grpc_port, int tls_port, int http_port);

// Says to systemd, if it started us, that we serve, or that we are about to end
// (sd_notify(3)).
void TellReady();
void TellStopping();

// Ends the process after so many seconds, whatever hangs, as a failure.
void LeaveAfter(double seconds);

}  // namespace selvage
