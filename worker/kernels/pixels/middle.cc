#include "worker/kernels/pixels/middle.h"

#include <algorithm>
#include <bit>
#include <cstddef>
#include <cstdint>

namespace selvage::worker {
namespace {

// Bits of numbers that are not below zero are in order as the numbers are. The upper
// ones, exponent and three bits more, tell eighths of an octave apart. -0 becomes 0.
uint32_t StepOf(float v) { return std::bit_cast<uint32_t>(v + 0.0f) >> 20; }

}  // namespace

float MiddleOf(const std::vector<float>& values) {
  std::vector<uint32_t> count(2048);
  for (float v : values) ++count[StepOf(v)];
  size_t before = values.size() / 2;
  uint32_t step = 0;
  for (; before >= count[step]; ++step) before -= count[step];
  std::vector<float> nearby;
  nearby.reserve(count[step]);
  for (float v : values) {
    if (StepOf(v) == step) nearby.push_back(v);
  }
  const auto middle = nearby.begin() + static_cast<ptrdiff_t>(before);
  std::nth_element(nearby.begin(), middle, nearby.end());
  return *middle;
}

}  // namespace selvage::worker
