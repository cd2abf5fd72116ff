// Gaussian blur as a finite filter, separable: what soften and everything that
// softens uses.
#pragma once

#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// ceil(4 sigma): beyond it a Gaussian has 6e-5 of its weight. 0 for sigma <= 0.
int GaussianRadius(double sigma);

// Weights of offsets 0..radius of the symmetric filter; the whole filter
// (w0 + 2 (w1 + ...)) is normalised to 1 in binary64, then each is rounded and
// w0 moved by the last bits so that a picture of ones stays exactly ones.
std::vector<float> GaussianWeights(double sigma);

// Blurs `in` over the rectangle `out` into out->rect() == out. REQUIRES:
// in.rect() contains out.Grow(GaussianRadius(sigma)). Per pixel the order is
// fixed: down the columns first, then along the row; centre first, then pairs
// outward. sigma <= 0 copies.
void GaussianBlur(const Plane& in, const Rect& out, double sigma, Plane* result);
// The same with weights that are kept.
void GaussianBlur(const Plane& in, const Rect& out, const std::vector<float>& weights, Plane* result);

}  // namespace selvage::worker
