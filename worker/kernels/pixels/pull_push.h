// Scattered colour spread over a whole picture through a pyramid.
#pragma once

#include <functional>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// Fills `planes` (all over one rectangle) where `weight` is below 1: there the
// result is weight x own value + (1 - weight) x what the next coarser level says.
// Pull: each level halves the one below with the kernel 1 3 3 1 in both
// directions, weighted; a coarse weight is 4 x the mean, at most 1. Push:
// bilinear. Samples of weight 0 are never read as picture. A plane whose samples are
// all the same becomes that everywhere. Where all weights are 0, the planes stay as
// they are. Source: Gortler et al., The Lumigraph (1996),
// section 3.4.
// `stopped` is polled between levels; returns false when it ended the work.
bool PullPush(const Plane& weight, std::vector<Plane>* planes, const std::function<bool()>& stopped);

}  // namespace selvage::worker
