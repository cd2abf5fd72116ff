// A job's times as a file that browsers and Perfetto draw: Trace Event Format, JSON object form.
#pragma once

#include <string>

#include "client/trace/where_time_went.h"

namespace selvage::client {

// A process for each worker, in it a thread for each of its slots and for what it sends beside
// them.
std::string TraceEvents(const std::string& job_id, const Timeline& timeline);

// Whether a file that begins like this was written here.
bool IsTraceOfOurs(const std::string& begin);

}  // namespace selvage::client
