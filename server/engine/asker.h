// On whose behalf something is asked.
#pragma once

#include <cstddef>
#include <string>

namespace selvage {

// By default this machine, which may do everything.
struct Asker {
  // Owner of what is submitted.
  std::string name;
  // May change only what is their own.
  bool own_only = false;
  // Unfinished jobs at a time; 0: any number.
  size_t most_jobs = 0;
};

}  // namespace selvage
