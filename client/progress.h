// Shows a job while it runs: one live line a pass on a terminal, plain lines
// elsewhere.
#pragma once

#include <chrono>
#include <map>
#include <string>

#include "proto/job.pb.h"

namespace selvage::client {

class ProgressDisplay {
 public:
  // `live`: the output is a terminal that understands cursor movement.
  explicit ProgressDisplay(bool live, int rows = 24, int columns = 100);

  // Text to print for this message; may be empty.
  std::string Update(const JobProgress& progress);
  // What is left on the screen when the job has ended.
  std::string Final(const JobProgress& progress);

 private:
  std::string Live(const JobProgress& progress);

  bool live_;
  int rows_, columns_;
  int drawn_lines_ = 0;
  std::map<std::string, std::string> last_plain_;
  double last_plain_seconds_ = -10;
};

// "  core       [########----] 12/24  10 rendered  2 reused  2 running".
std::string PassLine(const PassProgress& pass, size_t name_width);

}  // namespace selvage::client
