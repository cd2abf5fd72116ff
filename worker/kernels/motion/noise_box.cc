#include <algorithm>
#include <cmath>
#include <vector>

#include "absl/strings/str_cat.h"
#include "worker/kernels/motion/noise.h"
#include "worker/kernels/motion/noise_fit.h"
#include "worker/kernels/pixels/dct.h"

namespace selvage::worker {
namespace {

constexpr int kSide = 48;
constexpr int kBlock = 8;
// Boxes lie at multiples of two blocks.
constexpr int kStep = 2;
// Boxes whose share of high frequencies comes this near to the best count as
// even; of these the one with the least noise for its level is taken, because a
// fine fabric can look like noise, but only like more of it.
constexpr double kNearBest = 0.8;

// Energies of one 8x8 block, all three channels.
struct BlockEnergy {
  bool usable = true;
  double high = 0, all = 0;
  double mean[3] = {0, 0, 0};
};

struct Candidate {
  Rect box;
  double share;
  // Energy of a pixel over its level.
  double relative;
};

std::vector<BlockEnergy> MeasureBlocks(const Picture& picture, int across, int down) {
  std::vector<BlockEnergy> blocks(static_cast<size_t>(across) * down);
  const Rect& r = picture.rect();
  float c[64];
  for (int p = 0; p < 3; ++p) {
    const Plane& plane = picture.planes[p];
    const float least = LeastValue(plane), most = GreatestValue(plane);
    for (int j = 0; j < down; ++j) {
      for (int i = 0; i < across; ++i) {
        BlockEnergy& block = blocks[static_cast<size_t>(j) * across + i];
        block.usable = block.usable && IsUsable(plane, r.x0 + i * kBlock, r.y0 + j * kBlock, least, most);
        if (!block.usable) continue;
        Dct8x8(plane.row(r.y0 + j * kBlock) + i * kBlock, plane.stride(), c);
        block.high += HighFrequencyEnergy(c);
        for (int k = 1; k < 64; ++k) block.all += static_cast<double>(c[k]) * c[k];
        block.mean[p] = c[0] / 8.0;
      }
    }
  }
  return blocks;
}

}  // namespace

absl::StatusOr<Rect> FindEvenBox(const Picture& picture) {
  const Rect& r = picture.rect();
  const int across = r.width() / kBlock, down = r.height() / kBlock;
  if (across < 1 || down < 1) {
    return absl::InvalidArgumentError(absl::StrCat("a picture of ", r.width(), " x ", r.height(),
                                                   " pixels is too small to measure its noise: give a profile"));
  }
  const std::vector<BlockEnergy> blocks = MeasureBlocks(picture, across, down);
  const int wide = std::min(kSide / kBlock, across), high = std::min(kSide / kBlock, down);
  std::vector<Candidate> candidates;
  double best_share = 0;
  for (int j = 0; j + high <= down; j += kStep) {
    for (int i = 0; i + wide <= across; i += kStep) {
      double sum_high = 0, sum_all = 0, level = 0, spread = 0;
      double least[3] = {INFINITY, INFINITY, INFINITY}, most[3] = {-INFINITY, -INFINITY, -INFINITY};
      bool usable = true;
      for (int y = j; y < j + high; ++y) {
        for (int x = i; x < i + wide; ++x) {
          const BlockEnergy& block = blocks[static_cast<size_t>(y) * across + x];
          usable = usable && block.usable;
          sum_high += block.high;
          sum_all += block.all;
          for (int p = 0; p < 3; ++p) {
            level += block.mean[p];
            least[p] = std::min(least[p], block.mean[p]);
            most[p] = std::max(most[p], block.mean[p]);
          }
        }
      }
      // Steps between blocks, which no coefficient inside a block shows.
      for (int p = 0; p < 3; ++p) spread += (most[p] - least[p]) * (most[p] - least[p]);
      if (!usable || sum_high <= 0 || level <= 0) continue;
      const double pixels = static_cast<double>(wide) * high * 64;
      const double share = sum_high / (sum_all + spread * pixels / 16);
      best_share = std::max(best_share, share);
      const Rect box = {r.x0 + i * kBlock, r.y0 + j * kBlock, r.x0 + (i + wide) * kBlock, r.y0 + (j + high) * kBlock};
      candidates.push_back({box, share, sum_all / level});
    }
  }
  const Candidate* chosen = nullptr;
  for (const Candidate& candidate : candidates) {
    if (candidate.share < kNearBest * best_share) continue;
    if (chosen == nullptr || candidate.relative < chosen->relative) chosen = &candidate;
  }
  return chosen == nullptr ? Rect{} : chosen->box;
}

}  // namespace selvage::worker
