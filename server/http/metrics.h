// Numbers for a monitoring system, in the Prometheus text format 0.0.4.
#pragma once

#include <string>

#include "server/engine/engine.h"

namespace selvage {

// What the engine does not know of the daemon.
struct Process {
  // Folder.
  std::string state;
  double started_unix_s = 0;
};

std::string MetricsPage(const EngineStats& stats, const Process& process);

// Resident memory of this process; 0 where /proc does not tell.
uint64_t ResidentBytes();

}  // namespace selvage
