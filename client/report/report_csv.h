// The figures of a report as a table for spreadsheets and scripts.
#pragma once

#include <string>

#include "proto/report.pb.h"

namespace selvage::client {

// RFC 4180: a line of names (pass, frame, then those of MatteFigures), then a line for each pass
// and frame. What is not measured is empty; numbers have a point, whatever the locale.
std::string ReportCsv(const ShotReport& report);

}  // namespace selvage::client
