// A drawn plate with exact truth for the unmixing operators: an uneven screen, a
// textured disc with a soft edge and thin lines before it, noise of known variance.
#pragma once

#include <algorithm>
#include <cmath>
#include <utility>

#include "tests/ops/moving_scene.h"
#include "worker/kernels/pixels/half.h"
#include "worker/picture/image.h"

namespace selvage::worker::testing {

struct KeyedScene {
  // Paint of the screen at its brightest.
  double screen[3] = {0.08, 0.52, 0.13};
  double front[3] = {0.55, 0.36, 0.25};
  double noise_a = 2e-4, noise_b = 1e-5;
  // Width of the disc's soft edge in pixels.
  double soft = 8;
  Rect window{0, 0, 320, 180};
  uint64_t seed = 1;

  double Light(double x, double y) const {
    const double u = (x - window.x0) / window.width() - 0.4, v = (y - window.y0) / window.height() - 0.5;
    return 1 - 0.35 * u * u - 0.3 * v * v + 0.1 * u;
  }
  double Alpha(double x, double y) const {
    const double cx = x - window.x0 - 150, cy = y - window.y0 - 90;
    const double disc = std::clamp((55 - std::hypot(cx, cy)) / soft + 0.5, 0.0, 1.0);
    // Strands that leave it to the right, thinner than a pixel.
    const double along = cx > 40 && cx < 110 ? 1.0 : 0.0;
    const double strand =
        along * 0.55 * std::max(0.0, 1 - std::abs(std::fmod(std::abs(cy + 0.2 * cx), 14.0) - 7) / 1.2);
    return std::abs(cy) < 30 ? std::max(disc, strand) : disc;
  }

  struct Drawn {
    Picture plate, clean, alpha, foreground;
  };
  // What tasks read is at storage precision. `order` permutes the channels.
  Drawn Draw(const int order[3]) const {
    Drawn drawn;
    for (Picture* p : {&drawn.plate, &drawn.clean, &drawn.foreground}) {
      p->kind = OPAQUE;
      for (int c = 0; c < 3; ++c) p->planes.push_back(Plane(window));
      p->planes.push_back(Plane::Filled(window, 1));
    }
    drawn.alpha.kind = MATTE;
    drawn.alpha.planes.push_back(Plane(window));
    Random random(seed);
    for (int y = window.y0; y < window.y1; ++y) {
      for (int x = window.x0; x < window.x1; ++x) {
        const double a = Alpha(x, y), light = Light(x, y);
        const double shade = 1 + 0.35 * Texture(x, y, seed + 9);
        drawn.alpha.planes[0].at(x, y) = static_cast<float>(a);
        for (int c = 0; c < 3; ++c) {
          const double s = screen[c] * light, f = front[c] * shade, mixed = a * f + (1 - a) * s;
          const double noisy = mixed + std::sqrt(noise_a * mixed + noise_b) * random.Gaussian();
          drawn.clean.planes[order[c]].at(x, y) = static_cast<float>(s);
          drawn.foreground.planes[order[c]].at(x, y) = static_cast<float>(f);
          drawn.plate.planes[order[c]].at(x, y) = static_cast<float>(noisy);
        }
      }
    }
    for (Picture* p : {&drawn.plate, &drawn.clean, &drawn.alpha}) {
      for (Plane& plane : p->planes) {
        for (int y = window.y0; y < window.y1; ++y) RoundToHalf(plane.row(y), window.width());
      }
    }
    return drawn;
  }
  Drawn Draw() const {
    const int order[] = {0, 1, 2};
    return Draw(order);
  }
};

inline double MeanSquare(const Plane& a, const Plane& b) {
  double sum = 0;
  const Rect& r = a.rect();
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) sum += (a.at(x, y) - b.at(x, y)) * (a.at(x, y) - b.at(x, y));
  }
  return sum / static_cast<double>(r.area());
}

}  // namespace selvage::worker::testing
