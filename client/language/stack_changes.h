// What differs between two versions of a stack, in an artist's words.
#pragma once

#include <string>
#include <vector>

#include "proto/stack.pb.h"

namespace selvage::client {

struct StackChange {
  // Name of the pass, plate, mask or deliverable; "" for the shot as a whole.
  std::string where;
  // "levels.white 0.82 -> 0.79", "choke was added".
  std::string text;
};

// In the order of the later stack; what only the earlier one had comes last. Notes and the
// order of passes mean nothing. What was renamed is one that went and one that came.
std::vector<StackChange> ChangesOf(const Stack& before, const Stack& now);

// "pass boots_edge: levels.white 0.82 -> 0.79", a line each; "" for none.
std::string InWords(const std::vector<StackChange>& changes);

}  // namespace selvage::client
