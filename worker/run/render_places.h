// Renders chosen places of a light chain's tile grid, block by block.
#pragma once

#include <functional>
#include <vector>

#include "absl/status/status.h"
#include "worker/chain/chain.h"

namespace selvage::worker {

// Side of the blocks that a chain of this reach is rendered in.
int BlockSide(int reach);

// Each wanted place is in one of the pictures that `take` gets, and pictures hold
// wanted places only.
absl::Status RenderPlaces(Chain* chain, const std::vector<bool>& wanted, const std::function<bool()>& stopped,
                          const std::function<absl::Status(const Picture&)>& take);

}  // namespace selvage::worker
