#include "worker/kernels/pixels/gaussian.h"

#include <cmath>
#include <cstring>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/gaussian.cc"
#include "hwy/aligned_allocator.h"
#include "hwy/foreach_target.h"
#include "hwy/highway.h"
#include "worker/kernels/pixels/math.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker {
namespace HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;
using D = hn::ScalableTag<float>;

// result[i] = w[0] c[i] + w[1] (c[i-step] + c[i+step]) + ..., for n samples. Four
// vectors at a time, so that additions of one don't wait for another. The tail
// repeats the same operations one sample at a time.
void BlurLine(const float* centre, ptrdiff_t step, const float* weights, int radius, size_t n, float* result) {
  const D d;
  const size_t lanes = hn::Lanes(d);
  size_t i = 0;
  for (; i + 4 * lanes <= n; i += 4 * lanes) {
    const float* c = centre + i;
    auto w = hn::Set(d, weights[0]);
    auto s0 = w * hn::LoadU(d, c);
    auto s1 = w * hn::LoadU(d, c + lanes);
    auto s2 = w * hn::LoadU(d, c + 2 * lanes);
    auto s3 = w * hn::LoadU(d, c + 3 * lanes);
    for (int k = 1; k <= radius; ++k) {
      const float* a = c - k * step;
      const float* b = c + k * step;
      w = hn::Set(d, weights[k]);
      s0 = s0 + w * (hn::LoadU(d, a) + hn::LoadU(d, b));
      s1 = s1 + w * (hn::LoadU(d, a + lanes) + hn::LoadU(d, b + lanes));
      s2 = s2 + w * (hn::LoadU(d, a + 2 * lanes) + hn::LoadU(d, b + 2 * lanes));
      s3 = s3 + w * (hn::LoadU(d, a + 3 * lanes) + hn::LoadU(d, b + 3 * lanes));
    }
    hn::StoreU(s0, d, result + i);
    hn::StoreU(s1, d, result + i + lanes);
    hn::StoreU(s2, d, result + i + 2 * lanes);
    hn::StoreU(s3, d, result + i + 3 * lanes);
  }
  for (; i < n; ++i) {
    float s = weights[0] * centre[i];
    for (int k = 1; k <= radius; ++k) s = s + weights[k] * (centre[i - k * step] + centre[i + k * step]);
    result[i] = s;
  }
}

// The same down the columns for four rows, one below another: of what a weight counts for
// them, all but two rows were read for the weight before. The order in each sum is that of
// BlurLine.
void BlurFourRows(const float* centre, ptrdiff_t stride, const float* weights, int radius, size_t n, float* result,
                  ptrdiff_t result_stride) {
  const D d;
  const size_t lanes = hn::Lanes(d);
  size_t i = 0;
  for (; i + lanes <= n; i += lanes) {
    const float* c = centre + i;
    auto a0 = hn::LoadU(d, c), a1 = hn::LoadU(d, c + stride), a2 = hn::LoadU(d, c + 2 * stride);
    const auto last = hn::LoadU(d, c + 3 * stride);
    auto b1 = a1, b2 = a2, b3 = last;
    auto w = hn::Set(d, weights[0]);
    auto s0 = w * a0, s1 = w * a1, s2 = w * a2, s3 = w * last;
    const float* above = c;
    const float* below = c + 3 * stride;
    for (int k = 1; k <= radius; ++k) {
      above -= stride;
      below += stride;
      w = hn::Set(d, weights[k]);
      // Row j of the four is between rows j - k and j + k.
      const auto up = hn::LoadU(d, above), down = hn::LoadU(d, below);
      s0 = s0 + w * (up + b1);
      s1 = s1 + w * (a0 + b2);
      s2 = s2 + w * (a1 + b3);
      s3 = s3 + w * (a2 + down);
      a2 = a1, a1 = a0, a0 = up;
      b1 = b2, b2 = b3, b3 = down;
    }
    hn::StoreU(s0, d, result + i);
    hn::StoreU(s1, d, result + result_stride + i);
    hn::StoreU(s2, d, result + 2 * result_stride + i);
    hn::StoreU(s3, d, result + 3 * result_stride + i);
  }
  if (i == n) return;
  for (int j = 0; j < 4; ++j) {
    BlurLine(centre + j * stride + i, stride, weights, radius, n - i, result + j * result_stride + i);
  }
}

}  // namespace HWY_NAMESPACE
}  // namespace selvage::worker
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {
HWY_EXPORT(BlurLine);
HWY_EXPORT(BlurFourRows);

namespace {

// Sum of the filter over ones, rounded as BlurLine rounds.
float SumOverOnes(const std::vector<float>& weights) {
  float sum = weights[0];
  for (size_t k = 1; k < weights.size(); ++k) sum = sum + weights[k] * 2.0f;
  return sum;
}

// Halves an interval of centre weights for one whose rounded sum is 1. False
// where the sum steps over 1: it is rounded more than once.
bool BalanceCentre(std::vector<float>* weights) {
  float& centre = weights->front();
  float low = centre - 1e-4f, high = centre + 1e-4f;
  for (float sum = SumOverOnes(*weights); sum != 1.0f; sum = SumOverOnes(*weights)) {
    (sum < 1.0f ? low : high) = centre;
    const float middle = low + 0.5f * (high - low);
    if (middle == low || middle == high) return false;
    centre = middle;
  }
  return true;
}

// Moves the centre weight (by some 1e-7) until ones stay exactly ones: a solid
// core is 1 after any number of softenings, and opaque stays opaque. Where no
// centre does it, because partial sums fall halfway between two numbers and both
// are rounded away from 1, the other weights move by last bits in turn.
void BalanceToOne(std::vector<float>* weights) {
  const size_t others = weights->size() - 1;
  for (size_t tries = 0; tries < 32 * others && !BalanceCentre(weights); ++tries) {
    float& weight = (*weights)[others - tries % others];
    weight = std::nextafter(weight, 0.0f);
  }
}

}  // namespace

int GaussianRadius(double sigma) { return sigma > 0 ? static_cast<int>(std::ceil(4 * sigma)) : 0; }

std::vector<float> GaussianWeights(double sigma) {
  const int radius = GaussianRadius(sigma);
  if (radius == 0) return {1.0f};
  std::vector<double> exact(radius + 1);
  double sum = 0;
  // From the small ones inward, each pair once.
  for (int k = radius; k > 0; --k) sum += exact[k] = Exp(-0.5 * (k / sigma) * (k / sigma));
  sum = 2 * sum + (exact[0] = 1);
  std::vector<float> weights(radius + 1);
  for (int k = 0; k <= radius; ++k) weights[k] = static_cast<float>(exact[k] / sum);
  BalanceToOne(&weights);
  return weights;
}

void GaussianBlur(const Plane& in, const Rect& out, double sigma, Plane* result) {
  GaussianBlur(in, out, GaussianWeights(sigma), result);
}

void GaussianBlur(const Plane& in, const Rect& out, const std::vector<float>& weights, Plane* result) {
  const int radius = static_cast<int>(weights.size()) - 1;
  const auto blur = HWY_DYNAMIC_DISPATCH(BlurLine);
  if (radius == 0) {
    for (int y = out.y0; y < out.y1; ++y) {
      std::memcpy(result->row(y), in.row(y) + (out.x0 - in.rect().x0), sizeof(float) * out.width());
    }
    return;
  }
  if (in.constant) {
    // The same sums, once.
    const std::vector<float> line(2 * radius + 1, *in.constant);
    float down = 0, both = 0;
    blur(line.data() + radius, 1, weights.data(), radius, 1, &down);
    const std::vector<float> across(2 * radius + 1, down);
    blur(across.data() + radius, 1, weights.data(), radius, 1, &both);
    *result = Plane::Filled(out, both);
    return;
  }
  const Rect wide{out.x0 - radius, out.y0, out.x1 + radius, out.y1};
  const auto four = HWY_DYNAMIC_DISPATCH(BlurFourRows);
  const ptrdiff_t stride = hwy::RoundUpTo(static_cast<size_t>(wide.width()), 16);
  const auto columns = hwy::AllocateAligned<float>(4 * static_cast<size_t>(stride));
  for (int y = out.y0; y < out.y1;) {
    const float* from = in.row(y) + (wide.x0 - in.rect().x0);
    const int rows = out.y1 - y >= 4 ? 4 : 1;
    if (rows == 4) {
      four(from, in.stride(), weights.data(), radius, wide.width(), columns.get(), stride);
    } else {
      blur(from, in.stride(), weights.data(), radius, wide.width(), columns.get());
    }
    for (int j = 0; j < rows; ++j, ++y) {
      blur(columns.get() + j * stride + radius, 1, weights.data(), radius, out.width(), result->row(y));
    }
  }
}

}  // namespace selvage::worker
#endif
