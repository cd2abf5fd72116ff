// What temporal operators get of the frames around theirs.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "worker/chain/op.h"
#include "worker/kernels/motion/motion.h"

namespace selvage::worker {

// Pictures of that port at other frames, in order of time whatever order they came
// in: sums over frames are then always taken in the same order.
std::vector<const Input*> InputsAround(const Inputs& in, const std::string& port);

// Motion of the picture that `port` names from the task's frame to the one that
// far away (ParamTraits.motion). Not set: it is not known.
// Errors: DATA_LOSS what was stored is no motion.
absl::StatusOr<std::optional<VectorField>> MotionTo(const Inputs& in, const std::string& port, int offset);

}  // namespace selvage::worker
