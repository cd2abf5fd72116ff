// Medians without sorting.
#pragma once

#include <vector>

namespace selvage::worker {

// What would stand at size / 2 if the values were sorted. REQUIRES: some, none of them
// below zero or no number.
float MiddleOf(const std::vector<float>& values);

}  // namespace selvage::worker
