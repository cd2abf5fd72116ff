// What a plan costs, from what it was cut into.
#pragma once

#include "server/plan/cut.h"

namespace selvage::plan {

Price PriceOf(const Stack& stack, const StackCut& cut, const Demand& demand);

}  // namespace selvage::plan
