// Foreground colour under a matte. Recipe in worker/kernels/README.md.
#pragma once

#include <functional>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// Sets the first three planes of `out`, all over one rectangle: the picture where
// `alpha` (finite, within 0..1) is 1, the most likely foreground where it is less,
// the local foreground's mean where it is 0. `plate` is the clean plate. Planes of
// one value each give planes of one value.
// False when `stopped` ended the work.
bool RecoverForeground(const Picture& picture, const Picture& plate, const Plane& alpha,
                       const std::function<bool()>& stopped, std::vector<Plane>* out);

}  // namespace selvage::worker
