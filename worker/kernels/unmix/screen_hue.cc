#include "worker/kernels/unmix/screen_hue.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/math.h"

namespace selvage::worker {
namespace {

constexpr int kBlock = 4, kBins = 48;
// Distance in chromaticity that belongs to the screen, and the width of the mean shift.
constexpr double kNear = 0.04, kShift = 0.02;
constexpr int kSteps = 24;
constexpr double kArrived = 1e-6;

struct Block {
  float mean[3];
  double r, g, weight;
};

// Of r and g, and as much of b = 1 - r - g: no hue is nearer than another. In the
// mean over all directions the square of (r, g) alone.
double SquaredDistance(const Block& block, double r, double g) {
  const double dr = block.r - r, dg = block.g - g, db = dr + dg;
  return (dr * dr + dg * dg + db * db) * (2.0 / 3);
}

double Largest(const Block& block) { return std::max({block.mean[0], block.mean[1], block.mean[2]}); }

std::vector<Block> BlocksOf(const Rgb& color) {
  const Rect& rect = color[0].rect();
  std::vector<Block> blocks;
  for (int y = rect.y0; y + kBlock <= rect.y1; y += kBlock) {
    for (int x = rect.x0; x + kBlock <= rect.x1; x += kBlock) {
      Block block{};
      double mean_sum = 0, deviations = 0;
      for (int c = 0; c < 3; ++c) {
        float sum = 0, squares = 0;
        for (int j = 0; j < kBlock; ++j) {
          const float* row = color[c].row(y + j) + (x - rect.x0);
          for (int i = 0; i < kBlock; ++i) sum += row[i], squares += row[i] * row[i];
        }
        block.mean[c] = sum / (kBlock * kBlock);
        mean_sum += block.mean[c];
        deviations += std::sqrt(std::max(0.0f, squares / (kBlock * kBlock) - block.mean[c] * block.mean[c]));
      }
      const double most = Largest(block), least = std::min({block.mean[0], block.mean[1], block.mean[2]});
      if (!(most > 0 && mean_sum > 0)) continue;
      block.r = block.mean[0] / mean_sum;
      block.g = block.mean[1] / mean_sum;
      const double saturation = std::min(1.0, (most - least) / most), rough = deviations / mean_sum / 0.1;
      block.weight = saturation * saturation / (1 + rough * rough);
      blocks.push_back(block);
    }
  }
  if (blocks.empty()) return blocks;
  // Dark blocks count for less, black ones not at all: against the median of all,
  // so that exposure makes no difference.
  std::vector<double> levels;
  for (const Block& block : blocks) levels.push_back(Largest(block));
  const auto middle = levels.begin() + static_cast<ptrdiff_t>(levels.size() / 2);
  std::nth_element(levels.begin(), middle, levels.end());
  for (Block& block : blocks) {
    const double level = Largest(block) / *middle;
    block.weight = level < 0.05 ? 0 : block.weight * std::min(1.0, level / 0.25);
  }
  return blocks;
}

Plane Histogram(const std::vector<Block>& blocks) {
  Plane bins = Plane::Filled({0, 0, kBins, kBins}, 0);
  bins.constant.reset();
  const auto bin = [](double v) { return std::clamp(static_cast<int>(v * kBins), 0, kBins - 1); };
  for (const Block& block : blocks) bins.at(bin(block.r), bin(block.g)) += static_cast<float>(block.weight);
  return Blurred(bins, 1);
}

// Medians of the blocks near (r, g); `fallback` if there are none.
std::array<float, 3> MediansNear(const std::vector<Block>& blocks, double r, double g,
                                 const std::array<float, 3>& fallback) {
  std::vector<float> values[3];
  for (const Block& block : blocks) {
    if (block.weight <= 0 || SquaredDistance(block, r, g) > kNear * kNear) continue;
    for (int c = 0; c < 3; ++c) values[c].push_back(block.mean[c]);
  }
  if (values[0].empty()) return fallback;
  std::array<float, 3> medians;
  for (int c = 0; c < 3; ++c) {
    const auto middle = values[c].begin() + static_cast<ptrdiff_t>(values[c].size() / 2);
    std::nth_element(values[c].begin(), middle, values[c].end());
    medians[c] = *middle;
  }
  return medians;
}

}  // namespace

std::optional<std::array<float, 3>> FindScreenColor(const Rgb& color, std::optional<int> channel) {
  std::vector<Block> blocks = BlocksOf(color);
  for (Block& block : blocks) {
    if (channel && block.mean[*channel] < Largest(block)) block.weight = 0;
  }
  const Plane bins = Histogram(blocks);
  int best_r = 0, best_g = 0;
  for (int g = 0; g < kBins; ++g) {
    for (int r = 0; r < kBins; ++r) {
      if (bins.at(r, g) > bins.at(best_r, best_g)) best_r = r, best_g = g;
    }
  }
  // A picture of greys has weights of its noise alone.
  if (!(bins.at(best_r, best_g) > 1e-4f)) return std::nullopt;
  double r = (best_r + 0.5) / kBins, g = (best_g + 0.5) / kBins;
  for (int step = 0; step < kSteps; ++step) {
    double sum = 0, sum_r = 0, sum_g = 0;
    for (const Block& block : blocks) {
      const double far = SquaredDistance(block, r, g) / (kShift * kShift);
      if (block.weight <= 0 || far > 25) continue;
      const double w = block.weight * Exp(-0.5 * far);
      sum += w, sum_r += w * block.r, sum_g += w * block.g;
    }
    if (sum <= 0) break;
    const double moved = std::abs(sum_r / sum - r) + std::abs(sum_g / sum - g);
    r = sum_r / sum, g = sum_g / sum;
    if (moved < kArrived) break;
  }
  const float level = 0.5f;
  return MediansNear(
      blocks, r, g,
      {level * static_cast<float>(r), level * static_cast<float>(g), level * static_cast<float>(1 - r - g)});
}

std::array<float, 3> ScreenColorNear(const Rgb& color, const std::array<float, 3>& given) {
  const double sum = static_cast<double>(given[0]) + given[1] + given[2];
  if (!(sum > 0)) return given;
  return MediansNear(BlocksOf(color), given[0] / sum, given[1] / sum, given);
}

}  // namespace selvage::worker
