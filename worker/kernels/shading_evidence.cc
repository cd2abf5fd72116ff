#include "worker/kernels/shading_evidence.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "worker/kernels/cell_bits.h"
#include "worker/kernels/foreground_model.h"
#include "worker/kernels/grid.h"

namespace selvage {
namespace {

// Light and shade are what differs from surroundings of the first size, summed over
// the second; at 360 lines.
constexpr double kTexture = 10, kSummed = 3;
// Variations below this share of the noise tell nothing, nor below this share of
// the screen's level.
constexpr float kOfNoise = 0.5f, kOfLevel = 0.004f;

constexpr int kFirst[] = {0, 0, 0, 1, 1, 2}, kSecond[] = {0, 1, 2, 1, 2, 2};

// 1 for cells with hardly any bare screen in or about them.
Plane AwayFromScreen(const Grid& grid, const Bitmap& sure) {
  Bitmap open = CellsOf(sure, grid);
  for (uint8_t& bit : open.bits()) bit ^= 1;
  open = Eroded(open, 1);
  Plane out(grid.cells());
  for (int Y = 0; Y < open.height(); ++Y) {
    for (int X = 0; X < open.width(); ++X) out.row(Y)[X] = open.row(Y)[X];
  }
  return out;
}

Plane Halved(const Plane& in) {
  const Rect& from = in.rect();
  Plane out({0, 0, (from.x1 + 1) / 2, (from.y1 + 1) / 2});
  for (int Y = 0; Y < out.rect().y1; ++Y) {
    const float *a = in.row(2 * Y), *b = in.row(std::min(2 * Y + 1, from.y1 - 1));
    float* to = out.row(Y);
    for (int X = 0; 2 * X + 1 < from.x1; ++X) to[X] = ((a[2 * X] + a[2 * X + 1]) + (b[2 * X] + b[2 * X + 1])) * 0.25f;
    if (from.x1 % 2 > 0) to[out.rect().x1 - 1] = (a[from.x1 - 1] + b[from.x1 - 1]) * 0.5f;
  }
  return out;
}

}  // namespace

Plane ShadingEvidence(const ScreenView& view) {
  const Rect& rect = view.color.rect();
  const Grid grid = FieldGrid(rect);
  const Rect cells = grid.cells();
  const double scale = KeyScale(rect) / grid.factor;
  const Plane away = AwayFromScreen(grid, view.sure);
  Rgb color, screen;
  for (int c = 0; c < 3; ++c) color[c] = Halved(view.color_cells[c]), screen[c] = Halved(view.screen_cells[c]);

  const auto weighted = [&](const Plane& in) {
    Plane out(cells);
    for (int Y = 0; Y < cells.y1; ++Y) {
      for (int X = 0; X < cells.x1; ++X) out.row(Y)[X] = in.row(Y)[X] * away.row(Y)[X];
    }
    return out;
  };
  // What is as smooth as that needs no more than every other cell.
  const Grid halves{cells, 2};
  const auto surroundings = [&](const Plane& in) { return Blurred(Halved(in), kTexture * scale / 2); };
  Enlarger enlarger(halves);
  std::vector<float> above(enlarger.row_size()), below(enlarger.row_size());
  const Plane cover = surroundings(away), share = Blurred(away, kSummed * scale);
  Rgb rest;
  std::vector<Plane> mean;
  for (int c = 0; c < 3; ++c) {
    const Plane here = weighted(color[c]);
    const Plane smooth = surroundings(here);
    rest[c] = Plane(cells);
    for (int Y = 0; Y < cells.y1; ++Y) {
      enlarger.Row(smooth, Y, above.data());
      enlarger.Row(cover, Y, below.data());
      const float *w = away.row(Y), *from = color[c].row(Y);
      float* to = rest[c].row(Y);
      for (int X = 0; X < cells.x1; ++X) to[X] = w[X] > 0 ? from[X] - above[X] / std::max(below[X], 1e-6f) : 0.0f;
    }
    mean.push_back(Blurred(here, kSummed * scale));
  }
  std::vector<Plane> product;
  for (int k = 0; k < 6; ++k) {
    Plane p(cells);
    for (int Y = 0; Y < cells.y1; ++Y) {
      for (int X = 0; X < cells.x1; ++X) p.row(Y)[X] = rest[kFirst[k]].row(Y)[X] * rest[kSecond[k]].row(Y)[X];
    }
    product.push_back(Blurred(p, kSummed * scale));
  }

  const NoiseTerms& t = view.noise.terms;
  const float pixels = static_cast<float>(grid.factor * grid.factor);
  const float of_mean = std::min(1.0f, std::max(1.0f, view.noise.share_of_mean * 9) / pixels);
  Plane out(cells);
  for (int Y = 0; Y < cells.y1; ++Y) {
    for (int X = 0; X < cells.x1; ++X) {
      float& to = out.row(Y)[X];
      to = 0;
      if (!(away.row(Y)[X] > 0)) continue;
      const float w = 1 / share.row(Y)[X];
      float c[3], v[3], s[6], cc = 0, vv = 0, noise = 0, most = 0;
      for (int k = 0; k < 3; ++k) {
        c[k] = mean[k].row(Y)[X] * w;
        v[k] = c[k] - screen[k].row(Y)[X];
        cc += c[k] * c[k], vv += v[k] * v[k];
        noise += of_mean * (t.a * std::max(c[k], 0.0f) + t.b) / 3;
        most = std::max(most, c[k]);
      }
      for (int k = 0; k < 6; ++k) s[k] = product[k].row(Y)[X] * w;
      const float all = s[0] + s[3] + s[5] - 3 * noise;
      const auto beside = [&](const float d[3], float dd) {
        const float along = d[0] * d[0] * s[0] + d[1] * d[1] * s[3] + d[2] * d[2] * s[5] +
                            2 * (d[0] * d[1] * s[1] + d[0] * d[2] * s[2] + d[1] * d[2] * s[4]);
        return std::max(0.0f, all - (along / std::max(dd, 1e-12f) - noise));
      };
      const float beside_c = beside(c, cc), beside_v = beside(v, vv);
      const float floor = kOfNoise * noise + kOfLevel * kOfLevel * most * most;
      to = (beside_v - beside_c) / (beside_v + beside_c + floor);
    }
  }
  return out;
}

}  // namespace selvage
