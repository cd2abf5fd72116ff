// Colour detail that 4:2:0 lost, from luma. Contract: proto/ops/repair.proto.
#include <algorithm>
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/pixels/quick_curve.h"

namespace selvage::worker {
namespace {

// A pixel needs its cell's neighbours (bilinear), and theirs (3x3).
constexpr int kReach = 6;
constexpr float kFlat = 2e-4f, kSteepest = 2;
constexpr float kLuma[] = {0.2126f, 0.7152f, 0.0722f};

Rect EvenOut(const Rect& r) { return {r.x0 & ~1, r.y0 & ~1, (r.x1 + 1) & ~1, (r.y1 + 1) & ~1}; }

Encoding CurveOf(const ChromaDetail& p) { return p.curve() == ChromaDetail::SRGB ? ENCODING_SRGB : ENCODING_BT709; }

float SlopeOf(float n, float sl, float sc, float sll, float slc) {
  const float variance = sll / n - (sl / n) * (sl / n), covariance = slc / n - (sl / n) * (sc / n);
  const float slope = covariance / ((variance > 0.0f ? variance : 0.0f) + kFlat);
  const float most = slope < kSteepest ? slope : kSteepest;
  return most > -kSteepest ? most : -kSteepest;
}

// Cells first..last - 1 of a row, which have all eight about them.
void SlopeRow(const float* const luma[3], const float* const chroma[3], int first, int last, float* __restrict to) {
  const float *l0 = luma[0], *l1 = luma[1], *l2 = luma[2], *c0 = chroma[0], *c1 = chroma[1], *c2 = chroma[2];
  for (int X = first; X < last; ++X) {
    // About the middle cell: small numbers, so that nothing cancels.
    const float l = l1[X], c = c1[X];
    float sl = 0, sc = 0, sll = 0, slc = 0;
    const auto add = [&](float luma_there, float chroma_there) {
      const float dl = luma_there - l, dc = chroma_there - c;
      sl += dl, sc += dc, sll += dl * dl, slc += dl * dc;
    };
    add(l0[X - 1], c0[X - 1]), add(l0[X], c0[X]), add(l0[X + 1], c0[X + 1]);
    add(l1[X - 1], c1[X - 1]), add(l1[X + 1], c1[X + 1]);
    add(l2[X - 1], c2[X - 1]), add(l2[X], c2[X]), add(l2[X + 1], c2[X + 1]);
    to[X] = SlopeOf(9, sl, sc, sll, slc);
  }
}

// Slope of one plane on another over 3x3 cells, at the edges over fewer.
Plane Slope(const Plane& luma, const Plane& chroma) {
  const Rect& cells = luma.rect();
  Plane slope(cells);
  const auto at_edge = [&](int X, int Y) {
    float n = 0, sl = 0, sc = 0, sll = 0, slc = 0;
    for (int j = std::max(Y - 1, cells.y0); j <= std::min(Y + 1, cells.y1 - 1); ++j) {
      for (int i = std::max(X - 1, cells.x0); i <= std::min(X + 1, cells.x1 - 1); ++i) {
        const float l = luma.at(i, j) - luma.at(X, Y), c = chroma.at(i, j) - chroma.at(X, Y);
        n += 1, sl += l, sc += c, sll += l * l, slc += l * c;
      }
    }
    return SlopeOf(n, sl, sc, sll, slc);
  };
  for (int Y = cells.y0; Y < cells.y1; ++Y) {
    float* to = slope.row(Y);
    const bool inside = Y > cells.y0 && Y + 1 < cells.y1 && cells.width() > 2;
    if (inside) {
      const float* const l[3] = {luma.row(Y - 1), luma.row(Y), luma.row(Y + 1)};
      const float* const c[3] = {chroma.row(Y - 1), chroma.row(Y), chroma.row(Y + 1)};
      SlopeRow(l, c, 1, cells.width() - 1, to);
      to[0] = at_edge(cells.x0, Y);
      to[cells.width() - 1] = at_edge(cells.x1 - 1, Y);
    } else {
      for (int X = cells.x0; X < cells.x1; ++X) to[X - cells.x0] = at_edge(X, Y);
    }
  }
  return slope;
}

// Slopes of red and blue times the detail that luma has beyond `blurred`. Luma
// stays: what red and blue gain, weighted, green loses.
void AddDetail(const float* luma, const float* blurred, float amount, size_t n, float* __restrict red,
               float* __restrict green, float* __restrict blue) {
  for (size_t x = 0; x < n; ++x) {
    const float detail = amount * (luma[x] - blurred[x]);
    red[x] *= detail;
    blue[x] *= detail;
    green[x] = -(kLuma[0] * red[x] + kLuma[2] * blue[x]) * (1 / kLuma[1]);
  }
}

class ChromaDetailOp final : public TypedOp<ChromaDetail> {
 public:
  Rect Reads(const OpContext&, const ChromaDetail& p, const Rect& out, const Input& input) const override {
    if (out.empty() || p.amount().value() == 0) return out;
    return input.port == "in" ? EvenOut(out.Grow(kReach)) : out;
  }

  absl::Status Make(const OpContext&, const ChromaDetail& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Rect& rect = out->rect();
    const float amount = static_cast<float>(p.amount().value());
    if (amount == 0) {
      out->planes = picture.planes;
      return absl::OkStatus();
    }
    for (int y = rect.y0; y < rect.y1; ++y) {
      std::copy_n(picture.planes[3].row(y) + (rect.x0 - picture.rect().x0), rect.width(), out->planes[3].row(y));
    }
    const Rect& wide = picture.rect();
    std::vector<Plane> code;
    for (int c = 0; c < 3; ++c) {
      code.emplace_back(wide);
      for (int y = wide.y0; y < wide.y1; ++y)
        QuickEncodeRow(CurveOf(p), picture.planes[c].row(y), code[c].row(y), wide.width());
    }
    Plane luma(wide);
    for (int y = wide.y0; y < wide.y1; ++y) {
      const float *r = code[0].row(y), *g = code[1].row(y), *b = code[2].row(y);
      float* to = luma.row(y);
      for (int x = 0; x < wide.width(); ++x) to[x] = kLuma[0] * r[x] + kLuma[1] * g[x] + kLuma[2] * b[x];
    }
    Restore(p, amount, picture, code, luma, out);
    return absl::OkStatus();
  }

 private:
  static void Restore(const ChromaDetail& p, float amount, const Picture& picture, const std::vector<Plane>& code,
                      const Plane& luma, Picture* out) {
    const Rect& wide = picture.rect();
    const Grid grid{wide, 2};
    const Plane low = CellMeans(grid, luma);
    // Red and blue are carried as differences from luma; green follows.
    Plane slope[2];
    for (int k = 0; k < 2; ++k) {
      Plane chroma = CellMeans(grid, code[2 * k]);
      for (int Y = 0; Y < low.rect().y1; ++Y) {
        const float* from = low.row(Y);
        float* __restrict to = chroma.row(Y);
        for (int X = 0; X < low.rect().x1; ++X) to[X] -= from[X];
      }
      slope[k] = Slope(low, chroma);
    }
    Enlarger enlarger(grid);
    std::vector<float> blurred(enlarger.row_size()), red(blurred), green(blurred), blue(blurred), line(wide.width());
    const Rect& rect = out->rect();
    const int skip = rect.x0 - wide.x0;
    for (int y = rect.y0; y < rect.y1; ++y) {
      enlarger.Row(low, y, blurred.data());
      enlarger.Row(slope[0], y, red.data());
      enlarger.Row(slope[1], y, blue.data());
      AddDetail(luma.row(y), blurred.data(), amount, line.size(), red.data(), green.data(), blue.data());
      const float* const added[3] = {red.data(), green.data(), blue.data()};
      for (int c = 0; c < 3; ++c) {
        const float *from = code[c].row(y) + skip, *more = added[c] + skip;
        for (int x = 0; x < rect.width(); ++x) line[x] = from[x] + more[x];
        float* __restrict to = out->planes[c].row(y);
        QuickDecodeRow(CurveOf(p), line.data(), to, rect.width());
        // Where nothing is added the bits stay.
        const float* input = picture.planes[c].row(y) + skip;
        for (int x = 0; x < rect.width(); ++x) {
          const float was = input[x], is = to[x];
          to[x] = line[x] == from[x] ? was : is;
        }
      }
    }
  }
};
REGISTER_OP("chroma_detail", ChromaDetailOp);

}  // namespace
}  // namespace selvage::worker
