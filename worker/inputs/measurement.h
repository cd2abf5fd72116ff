// The content of a measuring step's blob.
#pragma once

#include <string>

#include "proto/ops/internal.pb.h"

namespace selvage::worker {

// The same bytes for the same numbers, always: they are compared by digest.
std::string Serialise(const Measurement& measurement);

}  // namespace selvage::worker
