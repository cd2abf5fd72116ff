// Grey-scale erosion and dilation by fractional pixels. Contract: proto/ops/matte.proto.
#pragma once

#include "proto/ops/matte.pb.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// Pixels around a place that it is made from.
int ChokeReach(double pixels);
// Inward (+) or outward (-). REQUIRES: `in` covers out's rectangle grown by the reach.
void ChokeInto(Choke::Shape shape, double pixels, const Plane& in, Plane* out);

}  // namespace selvage::worker
