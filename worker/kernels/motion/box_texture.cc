#include "worker/kernels/motion/box_texture.h"

#include <algorithm>
#include <cmath>

#include "absl/strings/str_format.h"
#include "worker/kernels/pixels/dct.h"

namespace selvage::worker {
namespace {

constexpr int kBlock = 8;
// As a share of its level: what rounding to 8-bit codes alone may leave in an even
// box. Codecs flatten some blocks of a quiet screen altogether.
constexpr double kRounding = 3e-3;

}  // namespace

double BoxTexture(const std::vector<const Plane*>& planes, const Rect& box) {
  std::vector<double> energies;
  double sum = 0, squares = 0;
  for (int y = box.y0; y + kBlock <= box.y1; y += kBlock) {
    for (int x = box.x0; x + kBlock <= box.x1; x += kBlock) {
      double energy = 0;
      for (const Plane* plane : planes) {
        float c[kBlock * kBlock];
        Dct8x8(plane->row(y) + (x - plane->rect().x0), plane->stride(), c);
        for (int k = 1; k < kBlock * kBlock; ++k) energy += static_cast<double>(c[k]) * c[k];
        squares += static_cast<double>(c[0]) * c[0];
      }
      energies.push_back(energy);
      sum += energy;
    }
  }
  if (energies.size() < 4 || !std::isfinite(sum) || !std::isfinite(squares)) return 1;
  const double count = static_cast<double>(energies.size());
  const auto quarter = energies.begin() + static_cast<ptrdiff_t>(energies.size() / 4);
  std::nth_element(energies.begin(), quarter, energies.end());
  // c[0] is 8 times the mean of the block's 64 samples.
  const double rounding = kRounding * kRounding * squares / count;
  return std::sqrt((sum / count + rounding) / std::max(*quarter + rounding, 1e-30));
}

std::optional<std::string> TextureWarning(const Rect& box, double texture, double most) {
  if (!(texture > most)) return std::nullopt;
  return absl::StrFormat(
      "the box %d,%d,%d,%d has texture in it: it is %.1f times as rough as its evenest quarter, expected "
      "at most %g; a box of even, bare screen measures better",
      box.x0, box.y0, box.width(), box.height(), texture, most);
}

}  // namespace selvage::worker
