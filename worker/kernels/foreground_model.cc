#include "worker/kernels/foreground_model.h"

#include <algorithm>
#include <cmath>
#include <iterator>

#include "worker/kernels/distance.h"
#include "worker/kernels/pull_push.h"

namespace selvage {
namespace {

// Share of the screen's light that spills on the foreground before all screen.
constexpr float kSpill = 0.05f;
constexpr double kSpillReach = 6, kGreyReach = 45;
// Variances: of any colour, of its brightness (as a share squared), of a grey of
// which nothing is known.
constexpr float kAnyColor = 5e-5f, kBrightness = 0.02f, kAnyGrey = 0.1f;
// Share of a cell's pixels that makes its mean count in full.
constexpr float kFullCell = 0.2f;

// Row and column of the six products, as in AddMomentsRow.
constexpr int kFirst[] = {0, 0, 0, 1, 1, 2}, kSecond[] = {0, 1, 2, 1, 2, 2};

// Distance in pixels from the nearest cell with core in it; infinite without core.
Plane CoreDistance(const Grid& grid, const Bitmap& core) {
  const Rect cells = grid.cells();
  std::vector<uint8_t> other(cells.area(), 1);
  for (int y = 0; y < core.height(); ++y) {
    const uint8_t* from = core.row(y);
    uint8_t* to = other.data() + static_cast<size_t>(y / grid.factor) * cells.width();
    for (int x = 0; x < core.width(); ++x) to[x / grid.factor] &= from[x] ^ 1;
  }
  const std::vector<int32_t> distance2 = SquaredDistanceToZero(other, cells.width(), cells.height());
  Plane out(cells);
  for (int Y = 0; Y < cells.height(); ++Y) {
    for (int X = 0; X < cells.width(); ++X) {
      const int32_t d2 = distance2[static_cast<size_t>(Y) * cells.width() + X];
      out.at(X, Y) = d2 == kNoZeroPixel ? INFINITY : static_cast<float>(grid.factor) * std::sqrt(static_cast<float>(d2));
    }
  }
  return out;
}

}  // namespace

Grid FieldGrid(const Rect& rect) {
  int factor = 2;
  while (factor < 16 && factor * 360 <= rect.height()) factor *= 2;
  return {rect, factor};
}

void NormaliseCells(const Grid& grid, float full, Plane* weight, std::vector<Plane>* sums) {
  const float share = 1.0f / (full * static_cast<float>(grid.factor * grid.factor));
  for (int Y = 0; Y < weight->rect().y1; ++Y) {
    float* w = weight->row(Y);
    for (Plane& plane : *sums) {
      float* v = plane.row(Y);
      for (int X = 0; X < weight->rect().x1; ++X) v[X] = w[X] > 0.0f ? v[X] / w[X] : 0.0f;
    }
    for (int X = 0; X < weight->rect().x1; ++X) w[X] = std::min(1.0f, w[X] * share);
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
                            const std::function<bool()>& stopped) {
  const Grid grid = FieldGrid(alpha.rect());
  const Rect cells = grid.cells();
  // Spill to expect: from how much screen there is around.
  Plane bare = CellMeans(grid, alpha);
  for (int Y = 0; Y < cells.y1; ++Y) {
    float* row = bare.row(Y);
    for (int X = 0; X < cells.x1; ++X) row[X] = 1.0f - row[X];
  }
  bare = Blurred(bare, kSpillReach * KeyScale(alpha.rect()) / grid.factor);
  if (screen_cells_.empty()) {
    for (const Plane& plane : view.screen) screen_cells_.push_back(CellMeans(grid, plane));
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
      float* product = fields_[3 + k].row(Y);
      for (int X = 0; X < cells.x1; ++X) product[X] += pi[X] * pj[X] - (pi[X] * mj[X] + pj[X] * mi[X]);
    }
    for (int c = 0; c < 3; ++c) {
      const float* p = spill_[c].row(Y);
      float* mean = fields_[c].row(Y);
      for (int X = 0; X < cells.x1; ++X) mean[X] -= p[X];
    }
  }
  if (!PullPush(weight, &fields_, stopped)) return false;

  const Plane distance = CoreDistance(grid, core);
  const double reach = kGreyReach * KeyScale(alpha.rect());
  const float reach2 = static_cast<float>(reach * reach);
  const NoiseTerms& noise = view.noise.terms;
  for (int Y = 0; Y < cells.y1; ++Y) {
    for (int X = 0; X < cells.x1; ++X) {
      const float d2 = distance.at(X, Y) * distance.at(X, Y);
      const float far = d2 < 1e30f ? d2 / (d2 + reach2) : 1.0f;
      float mean[3], lit[3];
      for (int c = 0; c < 3; ++c) {
        mean[c] = fields_[c].at(X, Y);
        lit[c] = mean[c] + spill_[c].at(X, Y);
      }
      // Samples are as noisy as the picture, so their noise is taken off: each
      // channel shrinks, and what it shares with the others alike. Taken off the
      // variances alone it could leave less than nothing in some direction.
      float shrink[3];
      for (int c = 0; c < 3; ++c) {
        constexpr int kVariance[] = {0, 3, 5};
        const float v = fields_[3 + kVariance[c]].at(X, Y) - mean[c] * mean[c];
        const float left = v - (noise.a * std::max(mean[c], 0.0f) + noise.b);
        shrink[c] = left > 0 ? std::sqrt(left / v) : 0.0f;
      }
      for (int k = 0; k < 6; ++k) {
        const int i = kFirst[k], j = kSecond[k];
        float& v = fields_[3 + k].at(X, Y);
        v = (v - mean[i] * mean[j]) * shrink[i] * shrink[j] + (i == j ? kAnyColor : 0.0f);
        v += kBrightness * lit[i] * lit[j] + kAnyGrey * far;
      }
      const float grey = (mean[0] + mean[1] + mean[2]) / 3;
      for (int c = 0; c < 3; ++c) fields_[c].at(X, Y) = mean[c] + far * (grey - mean[c]) + spill_[c].at(X, Y);
    }
  }
  return true;
}

ForegroundLines::ForegroundLines(const Grid& grid, const ForegroundModel& model)
    : enlarger_(grid), fields_(model.fields()), lines_(fields_.size(), std::vector<float>(enlarger_.row_size())) {}

ForegroundRows ForegroundLines::Row(int y) {
  for (size_t i = 0; i < fields_.size(); ++i) enlarger_.Row(fields_[i], y, lines_[i].data());
  ForegroundRows rows;
  for (int c = 0; c < 3; ++c) rows.mean[c] = lines_[c].data();
  for (int k = 0; k < 6; ++k) rows.cov[k] = lines_[3 + k].data();
  return rows;
}

}  // namespace selvage
