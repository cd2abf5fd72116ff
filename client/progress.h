// Shows a job while it runs: one live line a pass on a terminal, plain lines
// elsewhere.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "proto/job.pb.h"

namespace selvage::client {

struct Window {
  int rows = 24, columns = 80;
};

class ProgressDisplay {
 public:
  // `live`: the output is a terminal that understands cursor movement.
  explicit ProgressDisplay(bool live) : live_(live) {}

  // Text to print for this message; may be empty. `window`: as large as it is now.
  std::string Update(const JobProgress& progress, std::optional<Window> window);
  // What is left on the screen when the job has ended: every pass and deliverable.
  std::string Final(const JobProgress& progress, std::optional<Window> window);

 private:
  std::string Erase(const Window& window);
  std::string Expected(const JobProgress& progress);

  bool live_;
  // Lengths of the lines that were drawn last.
  std::vector<size_t> drawn_;
  double last_plain_seconds_ = -10;
  bool expected_said_ = false;
};

// "apiary_010  running  5 of 24 tasks  2 min 05 s left  4 rendered  ...", without
// what matters least where `columns` are too few.
std::string Headline(const JobProgress& progress, size_t columns);
// "  core       [########--------] 12/24  10 rendered  2 reused  2 running".
std::string PassLine(const PassProgress& pass, size_t name_width, size_t columns);

}  // namespace selvage::client
