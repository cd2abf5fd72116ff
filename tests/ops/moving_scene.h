// A synthetic shot with exact truth, for temporal operators: a textured
// foreground with thin arms moving fast over a slowly moving textured
// background. Everything is a function of continuous coordinates, so that any
// frame can be made exactly, and of a fixed generator, so that it is the same
// shot everywhere.
#pragma once

#include <array>
#include <cmath>
#include <cstdint>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker::testing {

// SplitMix64 (Steele, Lea & Flood 2014).
class Random {
 public:
  explicit Random(uint64_t seed) : state_(seed) {}
  uint64_t Next() {
    uint64_t z = (state_ += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
  }
  double Uniform() { return static_cast<double>(Next() >> 11) * 0x1p-53; }
  // Box & Muller 1958.
  double Gaussian() {
    const double radius = std::sqrt(-2 * std::log(1 - Uniform()));
    return radius * std::cos(6.283185307179586 * Uniform());
  }

 private:
  uint64_t state_;
};

// Smooth noise in -1..1 with a bump every pixel of its own lattice.
inline double ValueNoise(double x, double y, uint64_t seed) {
  const double fx = std::floor(x), fy = std::floor(y);
  const auto corner = [&](int i, int j) {
    const auto cx = static_cast<uint64_t>(static_cast<int64_t>(fx) + i);
    const auto cy = static_cast<uint64_t>(static_cast<int64_t>(fy) + j);
    return 2 * Random(seed ^ (cx * 0x9E3779B1u) ^ (cy * 0x85EBCA77u << 20)).Uniform() - 1;
  };
  const auto ease = [](double t) { return t * t * (3 - 2 * t); };
  const double u = ease(x - fx), v = ease(y - fy);
  return (1 - v) * ((1 - u) * corner(0, 0) + u * corner(1, 0)) + v * ((1 - u) * corner(0, 1) + u * corner(1, 1));
}

// Energy in every octave, as in photographs; some parts are busier than others.
inline double Texture(double x, double y, uint64_t seed) {
  const double busy = 0.5 + 2.0 * std::max(0.0, ValueNoise(x / 47, y / 47, seed + 99));
  double sum = 0.30 * ValueNoise(x / 64, y / 64, seed) + 0.15 * ValueNoise(x / 23, y / 23, seed + 1);
  sum += busy * (0.25 * ValueNoise(x / 11, y / 11, seed + 2) + 0.18 * ValueNoise(x / 5.3, y / 5.3, seed + 3) +
                 0.12 * ValueNoise(x / 2.9, y / 2.9, seed + 4));
  return sum;
}

struct MovingScene {
  Rect window = {0, 0, 320, 240};
  uint64_t seed = 1;
  // Pixels a frame.
  double background_x = 1.3, background_y = 0.4;
  double foreground_x = 12, foreground_y = -3;
  // Columns at the left that show a bare, unevenly lit green screen.
  int screen_width = 0;

  // 1 inside the foreground: a disc with four arms 5 pixels thin.
  double Cover(double x, double y, int frame) const {
    const double cx = 0.5 * (window.x0 + window.x1) + foreground_x * frame;
    const double cy = 0.5 * (window.y0 + window.y1) + foreground_y * frame;
    const double dx = x - cx, dy = y - cy, size = 0.2 * window.height();
    const double disc = size - std::hypot(dx, dy);
    const double arms =
        std::min(2.5 - std::min(std::abs(dx + 0.4 * dy), std::abs(dy - 0.4 * dx)), 1.9 * size - std::hypot(dx, dy));
    return std::clamp(std::max(disc, arms) + 0.5, 0.0, 1.0);
  }

  std::array<double, 3> Background(double x, double y, int frame) const {
    if (x < window.x0 + screen_width) {
      const double u = (x - window.x0) / 200, v = (y - window.y0) / 400;
      const double light = 1 + 0.25 * u - 0.2 * v * v;
      return {0.09 * light, 0.42 * light, 0.11 * light};
    }
    const double bx = x - background_x * frame, by = y - background_y * frame;
    const double t = Texture(bx, by, seed), hue = ValueNoise(bx / 90, by / 90, seed + 7);
    // Lines as of windows and fences.
    const double line = std::fmod(std::abs(bx + 0.3 * by), 71) < 3 ? 0.6 : 1;
    // From deep shadow to full light.
    const double light = line * (1 + 0.9 * ValueNoise(bx / 70, by / 70, seed + 8));
    return {0.22 * light * (1 + t + 0.4 * hue), 0.25 * light * (1 + t), 0.20 * light * (1 + t - 0.5 * hue)};
  }
  std::array<double, 3> Foreground(double x, double y, int frame) const {
    const double fx = x - foreground_x * frame, fy = y - foreground_y * frame;
    const double t = Texture(fx, fy, seed + 50);
    return {0.50 * (1 + 0.7 * t), 0.33 * (1 + 0.7 * t), 0.25 * (1 + 0.8 * t)};
  }

  // Without noise. Opaque.
  Picture Truth(int frame) const {
    Picture picture;
    picture.kind = OPAQUE;
    for (int p = 0; p < 4; ++p) picture.planes.emplace_back(window);
    for (int y = window.y0; y < window.y1; ++y) {
      for (int x = window.x0; x < window.x1; ++x) {
        const double cover = Cover(x, y, frame);
        const auto back = Background(x, y, frame);
        const auto front = cover > 0 ? Foreground(x, y, frame) : back;
        for (int c = 0; c < 3; ++c) {
          picture.planes[c].at(x, y) = static_cast<float>(std::max(0.004, cover * front[c] + (1 - cover) * back[c]));
        }
        picture.planes[3].at(x, y) = 1;
      }
    }
    return picture;
  }
};

// Camera noise.
struct SyntheticNoise {
  // Variance a * y + b.
  double a = 6e-4, b = 4e-5;
  // Gaussian blur of the noise in pixels, at unchanged variance.
  double correlated = 0;
};

// A field of unit variance over a window.
inline Plane NoiseField(const Rect& window, double correlated, Random* random) {
  const int radius = correlated > 0 ? 3 : 0;
  Plane white(window.Grow(radius));
  for (int y = white.rect().y0; y < white.rect().y1; ++y) {
    for (int x = white.rect().x0; x < white.rect().x1; ++x) white.at(x, y) = static_cast<float>(random->Gaussian());
  }
  if (radius == 0) return white;
  std::vector<double> kernel;
  double squares = 0;
  for (int k = -radius; k <= radius; ++k) {
    kernel.push_back(std::exp(-0.5 * k * k / (correlated * correlated)));
    squares += kernel.back() * kernel.back();
  }
  Plane out(window);
  for (int y = window.y0; y < window.y1; ++y) {
    for (int x = window.x0; x < window.x1; ++x) {
      double sum = 0;
      for (int j = -radius; j <= radius; ++j) {
        for (int i = -radius; i <= radius; ++i) sum += kernel[j + radius] * kernel[i + radius] * white.at(x + i, y + j);
      }
      out.at(x, y) = static_cast<float>(sum / squares);
    }
  }
  return out;
}

inline Picture AddNoise(const Picture& truth, const SyntheticNoise& noise, uint64_t seed) {
  Picture noisy;
  noisy.kind = truth.kind;
  Random random(seed);
  const Rect& r = truth.rect();
  for (int c = 0; c < 3; ++c) {
    const Plane field = NoiseField(r, noise.correlated, &random);
    Plane plane(r);
    for (int y = r.y0; y < r.y1; ++y) {
      for (int x = r.x0; x < r.x1; ++x) {
        const double v = truth.planes[c].at(x, y);
        plane.at(x, y) = static_cast<float>(v + std::sqrt(std::max(0.0, noise.a * v + noise.b)) * field.at(x, y));
      }
    }
    noisy.planes.push_back(plane);
  }
  noisy.planes.push_back(truth.planes[3]);
  return noisy;
}

}  // namespace selvage::worker::testing
