#include "tests/scene/score.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

namespace selvage::scene {
namespace {

constexpr int kGrow = 3;

std::vector<char> SoftBand(const Picture& truth) {
  std::vector<char> band(truth.pixels.size());
  for (int y = 0; y < truth.height; ++y) {
    for (int x = 0; x < truth.width; ++x) {
      float a = truth.At(x, y).a;
      if (a <= 0.02f || a >= 0.98f) continue;
      for (int j = std::max(0, y - kGrow); j <= std::min(truth.height - 1, y + kGrow); ++j) {
        for (int i = std::max(0, x - kGrow); i <= std::min(truth.width - 1, x + kGrow); ++i) {
          band[static_cast<size_t>(j) * truth.width + i] = 1;
        }
      }
    }
  }
  return band;
}

}  // namespace

Score Compare(const Picture& matte, const Picture& truth) { return CompareLevelled(matte, truth, 0, 1); }

Score CompareLevelled(const Picture& matte, const Picture& truth, float black, float white) {
  if (matte.width != truth.width || matte.height != truth.height) {
    throw std::runtime_error("the matte is " + std::to_string(matte.width) + "x" + std::to_string(matte.height) +
                             ", the truth " + std::to_string(truth.width) + "x" + std::to_string(truth.height));
  }
  std::vector<char> band = SoftBand(truth);
  double whole = 0, soft = 0;
  size_t count = 0;
  for (size_t i = 0; i < band.size(); ++i) {
    const float levelled = std::clamp((matte.pixels[i].a - black) / (white - black), 0.0f, 1.0f);
    double error = std::abs(static_cast<double>(levelled) - truth.pixels[i].a);
    whole += error;
    if (!band[i]) continue;
    soft += error;
    ++count;
  }
  return {whole / static_cast<double>(band.size()), count == 0 ? 0 : soft / static_cast<double>(count)};
}

}  // namespace selvage::scene
