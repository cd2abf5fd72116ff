// Which passes were invalidated when. In memory, from the journal.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "proto/job.pb.h"

namespace selvage {

// Values: a copy is a snapshot.
class Epochs {
 public:
  // In any order; `sequence` is the number of the journal entry.
  void Add(const InvalidateRequest& what, uint64_t sequence);

  // Number of the newest invalidation that covers the pass at the frame; 0 if
  // there is none.
  uint64_t Of(const std::string& stack, const std::string& pass, int32_t frame) const;
  // Newest invalidation of anything in the stack.
  uint64_t Newest(const std::string& stack) const;

 private:
  struct Entry {
    uint64_t sequence;
    std::string pass;  // empty: all
    int32_t first, last;
  };
  std::map<std::string, std::vector<Entry>> by_stack_;
};

}  // namespace selvage
