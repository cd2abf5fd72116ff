// Numbers for a monitoring system, in the Prometheus text format 0.0.4.
#pragma once

#include <string>

#include "server/engine/engine.h"

namespace selvage {

std::string MetricsPage(const EngineStats& stats);

// Resident memory of this process; 0 where /proc does not tell.
uint64_t ResidentBytes();

}  // namespace selvage
