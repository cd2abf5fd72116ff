#include "worker/kernels/unmix/shading_evidence.h"

#include <algorithm>
#include <cmath>
#include <cstring>
#include <vector>

#include "worker/kernels/geometry/cell_bits.h"
#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/unmix/foreground_model.h"

namespace selvage::worker {
namespace {

// Light and shade are what differs from surroundings of the first size, summed over
// the second; at 360 lines.
constexpr double kTexture = 10, kSummed = 3;
// What neighbours differ by is summed within a cell and a little of those about it.
constexpr double kSummedFine = 0.5;
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

// Variance of a mean over factor x factor pixels as a share of that of a pixel.
float NoiseOfMean(const ScreenNoise& noise, int factor) {
  const float pixels = static_cast<float>(factor * factor);
  return std::min(1.0f, std::max(1.0f, noise.share_of_mean * 9) / pixels);
}

// From the mean colour, the screen behind it, the products of what differs (rr rg rb
// gg gb bb) and the noise in each channel's.
float EvidenceOf(const float color[3], const float screen[3], const float products[6], float noise) {
  const float* s = products;
  float v[3], cc = 0, vv = 0, most = 0;
  for (int k = 0; k < 3; ++k) {
    v[k] = color[k] - screen[k];
    cc += color[k] * color[k], vv += v[k] * v[k];
    most = std::max(most, color[k]);
  }
  const float all = s[0] + s[3] + s[5] - 3 * noise;
  const auto beside = [&](const float d[3], float dd) {
    const float along = d[0] * d[0] * s[0] + d[1] * d[1] * s[3] + d[2] * d[2] * s[5] +
                        2 * (d[0] * d[1] * s[1] + d[0] * d[2] * s[2] + d[1] * d[2] * s[4]);
    return std::max(0.0f, all - (along / std::max(dd, 1e-12f) - noise));
  };
  const float beside_c = beside(color, cc), beside_v = beside(v, vv);
  const float floor = kOfNoise * noise + kOfLevel * kOfLevel * most * most;
  return (beside_v - beside_c) / (beside_v + beside_c + floor);
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
  const float of_mean = NoiseOfMean(view.noise, grid.factor);
  Plane out(cells);
  for (int Y = 0; Y < cells.y1; ++Y) {
    for (int X = 0; X < cells.x1; ++X) {
      float& to = out.row(Y)[X];
      to = 0;
      if (!(away.row(Y)[X] > 0)) continue;
      const float w = 1 / share.row(Y)[X];
      float c[3], s[3], products[6], noise = 0;
      for (int k = 0; k < 3; ++k) {
        c[k] = mean[k].row(Y)[X] * w;
        s[k] = screen[k].row(Y)[X];
        noise += of_mean * (t.a * std::max(c[k], 0.0f) + t.b) / 3;
      }
      for (int k = 0; k < 6; ++k) products[k] = product[k].row(Y)[X] * w;
      to = EvidenceOf(c, s, products, noise);
    }
  }
  return out;
}

Plane FineShadingEvidence(const ScreenView& view, const Rgb& color, const Rgb& screen, const Bitmap& where) {
  const Rect& rect = color[0].rect();
  const int width = rect.width(), height = rect.height();
  // Places, their colours; pairs of neighbours, products of their differences.
  const Grid grid{rect, 2};
  const Rect cells = grid.cells();
  CellSums sums(grid, 11);
  for (int y = 0; y < height; ++y) {
    float* const* to = sums.Rows(rect.y0 + y);
    const uint8_t *here = where.row(y), *below = where.row(std::min(y + 1, height - 1));
    const int under = std::min(rect.y0 + y + 1, rect.y1 - 1);
    for (int x = 0; x < width; ++x) {
      const void* next = std::memchr(here + x, 1, width - x);
      if (!next) break;
      x = static_cast<int>(static_cast<const uint8_t*>(next) - here);
      const int right = std::min(x + 1, width - 1);
      to[0][x] += 1;
      for (int c = 0; c < 3; ++c) to[1 + c][x] += color[c].row(rect.y0 + y)[x];
      const auto pair = [&](int i, int j) {
        float d[3];
        for (int c = 0; c < 3; ++c) d[c] = color[c].row(j)[i] - color[c].row(rect.y0 + y)[x];
        to[4][x] += 1;
        for (int k = 0; k < 6; ++k) to[5 + k][x] += d[kFirst[k]] * d[kSecond[k]];
      };
      if (here[right]) pair(right, rect.y0 + y);
      if (below[x]) pair(x, under);
    }
  }
  sums.Finish();
  std::vector<Plane> soft;
  for (const Plane& plane : sums.planes()) soft.push_back(Blurred(plane, kSummedFine));

  const NoiseTerms& t = view.noise.terms;
  const float of_mean = NoiseOfMean(view.noise, FieldGrid(view.color.rect()).factor / 2);
  Rgb behind;
  for (int c = 0; c < 3; ++c) behind[c] = Halved(screen[c]);
  Plane out(cells);
  for (int Y = 0; Y < cells.y1; ++Y) {
    for (int X = 0; X < cells.x1; ++X) {
      float& to = out.row(Y)[X];
      to = 0;
      if (!(sums.planes()[4].row(Y)[X] > 0)) continue;
      float c[3], s[3], products[6], noise = 0;
      for (int k = 0; k < 3; ++k) {
        c[k] = soft[1 + k].row(Y)[X] / soft[0].row(Y)[X];
        s[k] = behind[k].row(Y)[X];
        // A difference has the noise of both.
        noise += 2 * of_mean * (t.a * std::max(c[k], 0.0f) + t.b) / 3;
      }
      for (int k = 0; k < 6; ++k) products[k] = soft[5 + k].row(Y)[X] / soft[4].row(Y)[X];
      to = EvidenceOf(c, s, products, noise);
    }
  }
  return out;
}

}  // namespace selvage::worker
