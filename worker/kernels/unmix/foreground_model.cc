#include "worker/kernels/unmix/foreground_model.h"

#include <algorithm>
#include <cmath>
#include <iterator>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/unmix/foreground_model.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"
#include "worker/kernels/geometry/cell_bits.h"
#include "worker/kernels/geometry/distance.h"
#include "worker/kernels/pixels/pull_push.h"
#include "worker/kernels/unmix/mix_rows.h"

// Plain loops, compiled once for each target.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

// Variance of any colour.
constexpr float kAnyColor = 5e-5f;

// Samples are as noisy as the picture, so their noise is taken off: each
// channel shrinks, and what it shares with the others alike. Taken off the
// variances alone it could leave less than nothing in some direction.
inline float Shrinking(float square, float mean, float a, float b) {
  const float v = square - mean * mean, left = v - (a * (mean > 0.0f ? mean : 0.0f) + b);
  return std::sqrt((left > 0.0f ? left : 0.0f) / (left > 0.0f ? v : 1.0f));
}

void ShareOut(const float* weight, int n, float* __restrict value) {
  for (int x = 0; x < n; ++x) {
    const float mean = value[x] / (weight[x] > 0.0f ? weight[x] : 1.0f);
    value[x] = weight[x] > 0.0f ? mean : 0.0f;
  }
}

void FullFrom(float share, int n, float* __restrict weight) {
  for (int x = 0; x < n; ++x) {
    const float w = weight[x] * share;
    weight[x] = w < 1.0f ? w : 1.0f;
  }
}

// A product of two colours less their spills pi and pj, mi and mj their means.
void WithoutSpill(const float* pi, const float* pj, const float* mi, const float* mj, int n,
                  float* __restrict product) {
  for (int x = 0; x < n; ++x) product[x] += pi[x] * pj[x] - (pi[x] * mj[x] + pj[x] * mi[x]);
}

void TakeOff(const float* spill, int n, float* __restrict mean) {
  for (int x = 0; x < n; ++x) mean[x] -= spill[x];
}

// A row of products to covariances, and further from the core to those of any grey;
// means get the spill that is expected. `distance2` from the core and `reach2` are
// in cells; kNoZeroPixel is as good as infinite.
void Widen(const int32_t* distance2, float reach2, float a, float b, float brightness, float any_grey,
           const float* const spill[3], int width, float* const fields[9]) {
  float* __restrict m0 = fields[0], * __restrict m1 = fields[1], * __restrict m2 = fields[2], * __restrict rr = fields[3], * __restrict rg = fields[4], * __restrict rb = fields[5], * __restrict gg = fields[6], * __restrict gb = fields[7], * __restrict bb = fields[8];
  const float *s0 = spill[0], *s1 = spill[1], *s2 = spill[2];
  // Rows do not overlap: too many of them to be checked when it runs.
#pragma GCC ivdep
  for (int X = 0; X < width; ++X) {
    const float d2 = static_cast<float>(distance2[X]), far = d2 / (d2 + reach2), grey_variance = any_grey * far;
    const float r = m0[X], g = m1[X], bl = m2[X];
    const float lit_r = r + s0[X], lit_g = g + s1[X], lit_b = bl + s2[X];
    const float kr = Shrinking(rr[X], r, a, b), kg = Shrinking(gg[X], g, a, b), kb = Shrinking(bb[X], bl, a, b);
    const auto any = [&](float square, float mi, float mj, float ki, float kj, float li, float lj, float more) {
      return ((square - mi * mj) * ki * kj + more) + (brightness * li * lj + grey_variance);
    };
    rr[X] = any(rr[X], r, r, kr, kr, lit_r, lit_r, kAnyColor);
    rg[X] = any(rg[X], r, g, kr, kg, lit_r, lit_g, 0.0f);
    rb[X] = any(rb[X], r, bl, kr, kb, lit_r, lit_b, 0.0f);
    gg[X] = any(gg[X], g, g, kg, kg, lit_g, lit_g, kAnyColor);
    gb[X] = any(gb[X], g, bl, kg, kb, lit_g, lit_b, 0.0f);
    bb[X] = any(bb[X], bl, bl, kb, kb, lit_b, lit_b, kAnyColor);
    const float grey = (r + g + bl) / 3;
    m0[X] = r + far * (grey - r) + s0[X];
    m1[X] = g + far * (grey - g) + s1[X];
    m2[X] = bl + far * (grey - bl) + s2[X];
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(ShareOut);
HWY_EXPORT(FullFrom);
HWY_EXPORT(WithoutSpill);
HWY_EXPORT(TakeOff);
HWY_EXPORT(Widen);

namespace {

// Share of the screen's light that spills on the foreground before all screen.
constexpr float kSpill = 0.05f;
constexpr double kSpillReach = 6, kGreyReach = 45;
// Share of a cell's pixels that makes its mean count in full.
constexpr float kFullCell = 0.2f;

// Row and column of the six products, as in AddMomentsRow.
constexpr int kFirst[] = {0, 0, 0, 1, 1, 2}, kSecond[] = {0, 1, 2, 1, 2, 2};

}  // namespace

void NormaliseCells(const Grid& grid, float full, Plane* weight, std::vector<Plane>* sums) {
  const float share = 1.0f / (full * static_cast<float>(grid.factor * grid.factor));
  for (int Y = 0; Y < weight->rect().y1; ++Y) {
    float* w = weight->row(Y);
    for (Plane& plane : *sums) HWY_DYNAMIC_DISPATCH(ShareOut)(w, weight->rect().x1, plane.row(Y));
    HWY_DYNAMIC_DISPATCH(FullFrom)(share, weight->rect().x1, w);
  }
}

void ForegroundModel::Samples::Add(int y, int x, const float* weight, const float* const color[3], int width) {
  const float* end = weight + width;
  const auto some = [](float w) { return w > 0.0f; };
  const float* from = std::find_if(weight, end, some);
  if (from == end) return;
  while (!some(end[-1])) --end;
  const ptrdiff_t skip = from - weight;
  float* const* rows = sums_.Rows(y);
  float* to[10];
  for (int p = 0; p < 10; ++p) to[p] = rows[p] + x + skip;
  const float* const colors[3] = {color[0] + skip, color[1] + skip, color[2] + skip};
  AddMomentsRow(from, colors, static_cast<size_t>(end - from), to);
}

std::vector<Plane> ForegroundModel::Samples::Finish() {
  sums_.Finish();
  return std::move(sums_.planes());
}

bool ForegroundModel::Build(const ScreenView& view, std::vector<Plane> moments, const Plane& alpha, const Bitmap& core,
                            const Openness& open, const std::function<bool()>& stopped) {
  const Grid grid = FieldGrid(alpha.rect());
  const Rect cells = grid.cells();
  // Spill to expect: from how much screen there is around.
  Plane bare = CellMeans(grid, alpha);
  for (int Y = 0; Y < cells.y1; ++Y) {
    float* row = bare.row(Y);
    for (int X = 0; X < cells.x1; ++X) row[X] = 1.0f - row[X];
  }
  bare = Blurred(bare, kSpillReach * KeyScale(alpha.rect()) / grid.factor);
  if (screen_cells_[0].rect().empty()) {
    // A row of each cell is enough: plates are smooth.
    std::vector<float> line(grid.fine.width());
    const float* row = nullptr;
    for (int c = 0; c < 3; ++c) {
      screen_cells_[c] = CellMeans(grid, [&](int y) {
        if ((y - grid.fine.y0) % grid.factor == 0) row = view.screen.Row(c, y, 0, grid.fine.width(), line.data());
        return row;
      });
    }
  }
  spill_.clear();
  for (const Plane& screen : screen_cells_) {
    Plane spill(cells);
    for (int Y = 0; Y < cells.y1; ++Y) {
      const float *s = screen.row(Y), *g = bare.row(Y);
      float* to = spill.row(Y);
      for (int X = 0; X < cells.x1; ++X) to[X] = kSpill * s[X] * g[X];
    }
    spill_.push_back(std::move(spill));
  }

  Plane weight = std::move(moments[0]);
  fields_.assign(std::make_move_iterator(moments.begin() + 1), std::make_move_iterator(moments.end()));
  NormaliseCells(grid, kFullCell, &weight, &fields_);
  // Without that spill: products first, they need the means as they were.
  for (int Y = 0; Y < cells.y1; ++Y) {
    for (int k = 0; k < 6; ++k) {
      const float *mi = fields_[kFirst[k]].row(Y), *mj = fields_[kSecond[k]].row(Y);
      const float *pi = spill_[kFirst[k]].row(Y), *pj = spill_[kSecond[k]].row(Y);
      HWY_DYNAMIC_DISPATCH(WithoutSpill)(pi, pj, mi, mj, cells.x1, fields_[3 + k].row(Y));
    }
    for (int c = 0; c < 3; ++c) HWY_DYNAMIC_DISPATCH(TakeOff)(spill_[c].row(Y), cells.x1, fields_[c].row(Y));
  }
  if (!PullPush(weight, &fields_, stopped)) return false;

  Bitmap other = CellsOf(core, grid);
  for (uint8_t& bit : other.bits()) bit ^= 1;
  const std::vector<int32_t> distance2 = SquaredDistanceToZero(other.bits(), cells.width(), cells.height());
  const double reach = kGreyReach * KeyScale(alpha.rect()) / grid.factor;
  const NoiseTerms& noise = view.noise.terms;
  for (int Y = 0; Y < cells.y1; ++Y) {
    const float* const spill[3] = {spill_[0].row(Y), spill_[1].row(Y), spill_[2].row(Y)};
    float* fields[9];
    for (int k = 0; k < 9; ++k) fields[k] = fields_[k].row(Y);
    HWY_DYNAMIC_DISPATCH(Widen)
    (distance2.data() + static_cast<size_t>(Y) * cells.width(), static_cast<float>(reach * reach), noise.a, noise.b,
     open.brightness, open.grey, spill, cells.x1, fields);
  }
  return true;
}

ForegroundLines::ForegroundLines(const Grid& grid, const ForegroundModel& model)
    : enlarger_(grid), fields_(model.fields()), lines_(fields_.size(), std::vector<float>(enlarger_.row_size())) {}

ForegroundRows ForegroundLines::Row(int y, int x0, int x1) {
  for (size_t i = 0; i < fields_.size(); ++i) enlarger_.Part(fields_[i], y, x0, x1, lines_[i].data());
  ForegroundRows rows;
  for (int c = 0; c < 3; ++c) rows.mean[c] = lines_[c].data() + x0;
  for (int k = 0; k < 6; ++k) rows.cov[k] = lines_[3 + k].data() + x0;
  return rows;
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
