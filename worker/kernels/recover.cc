#include "worker/kernels/recover.h"

#include <algorithm>
#include <cstdint>

#include "worker/kernels/foreground_model.h"
#include "worker/kernels/screen_view.h"
#include "worker/kernels/unmix_rows.h"

namespace selvage {
namespace {

// Pixels that are worked out together: a full vector on any machine.
constexpr int kTogether = 16;
// Alpha from which a pixel says something of the foreground's colour.
constexpr float kLeastAlpha = 0.3f;

bool AnyBetween(const float* alpha, int count, float low, float high) {
  int32_t any = 0;
  const auto look = [&](int i) { any |= (alpha[i] > low ? 1 : 0) & (alpha[i] < high ? 1 : 0); };
  if (count == kTogether) {
    for (int i = 0; i < kTogether; ++i) look(i);
  } else {
    for (int i = 0; i < count; ++i) look(i);
  }
  return any != 0;
}

// Calls use(x0, x1) for stretches, whole blocks of kTogether, that hold all pixels
// with low < alpha < high.
template <class Use>
void ForStretches(const float* alpha, int width, float low, float high, const Use& use) {
  int from = -1;
  for (int x = 0; x < width; x += kTogether) {
    const bool any = AnyBetween(alpha + x, std::min(kTogether, width - x), low, high);
    if (any && from < 0) from = x;
    if (!any && from >= 0) use(from, x), from = -1;
  }
  if (from >= 0) use(from, width);
}

// Mean of the plate's brightest channel. Every sixteenth row: plates are smooth.
float LevelOf(const Picture& plate, const Rect& rect) {
  float most = 0;
  std::vector<float> row(rect.width());
  for (int c = 0; c < 3; ++c) {
    double total = 0;
    int rows = 0;
    for (int y = rect.y0; y < rect.y1; y += 16, ++rows) {
      FiniteRow(plate.planes[c].row(y), 1, kDarkestScreen, row.size(), row.data());
      double sum = 0;
      for (float v : row) sum += v;
      total += sum;
    }
    most = std::max(most, static_cast<float>(total / (static_cast<double>(rect.width()) * rows)));
  }
  return most;
}

// What the matte says of the foreground. Cells that the border cuts are completed
// with the nearest pixels: what is even has even cells then, to the bit.
std::vector<Plane> SamplesUnder(const ScreenView& view, const Plane& alpha) {
  const Rect& rect = alpha.rect();
  const Grid grid = FieldGrid(rect);
  const int width = rect.width(), padded = grid.cells().width() * grid.factor;
  const int last = rect.y0 + grid.cells().height() * grid.factor;
  ForegroundModel::Samples samples(grid);
  std::vector<float> lines(4 * static_cast<size_t>(padded));
  float* const line[4] = {lines.data(), lines.data() + padded, lines.data() + 2 * padded, lines.data() + 3 * padded};
  for (int virtual_y = rect.y0; virtual_y < last; ++virtual_y) {
    const int y = std::min(virtual_y, rect.y1 - 1);
    const float* a = alpha.row(y);
    ForStretches(a, width, 0, 2, [&](int x0, int x1) {
      const float* const c[3] = {view.color[0].row(y) + x0, view.color[1].row(y) + x0, view.color[2].row(y) + x0};
      const float* const s[3] = {view.screen[0].row(y) + x0, view.screen[1].row(y) + x0, view.screen[2].row(y) + x0};
      SamplesRow(c, s, a + x0, kLeastAlpha, x1 - x0, line[0], line + 1);
      int count = x1 - x0;
      if (x1 == width) {
        for (float* row : line) std::fill(row + count, row + (padded - x0), row[count - 1]);
        count = padded - x0;
      }
      samples.Add(virtual_y, x0, line[0], line + 1, count);
    });
  }
  return samples.Finish();
}

Bitmap CoreOf(const Plane& alpha) {
  const Rect& rect = alpha.rect();
  const int width = rect.width();
  Bitmap core(width, rect.height());
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* a = alpha.row(y);
    uint8_t* to = core.row(y - rect.y0);
    for (int x = 0; x < width; ++x) to[x] = a[x] >= 1.0f;
  }
  return core;
}

}  // namespace

bool RecoverForeground(const Picture& picture, const Picture& plate, const Plane& alpha,
                       const std::function<bool()>& stopped, std::vector<Plane>* out) {
  const Rect& rect = alpha.rect();
  const int width = rect.width();
  ScreenView view;
  view.gain = NearHalf(LevelOf(plate, rect));
  view.color = FiniteRgb(picture, rect, view.gain, -65504);
  view.screen = FiniteRgb(plate, rect, view.gain, kDarkestScreen);
  view.noise = MeasureScreenNoise(view.color, view.screen, nullptr);
  ForegroundModel model;
  if (!model.Build(view, SamplesUnder(view, alpha), alpha, CoreOf(alpha), stopped)) return false;

  Enlarger enlarger(FieldGrid(rect));
  std::vector<std::vector<float>> lines(9, std::vector<float>(enlarger.row_size()));
  std::vector<float> found[3];
  for (auto& row : found) row.resize(width);
  const float back = 1 / view.gain;
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* a = alpha.row(y);
    const auto enlarge = [&](int field, int x0, int x1) {
      enlarger.Part(model.fields()[field], y, x0, x1, lines[field].data());
      return lines[field].data() + x0;
    };
    ForStretches(a, width, -1, 1, [&](int x0, int x1) {
      for (int c = 0; c < 3; ++c) {
        const float* mean = enlarge(c, x0, x1);
        float* to = found[c].data() + x0;
        for (int i = 0; i < x1 - x0; ++i) to[i] = mean[i] > 0.0f ? mean[i] : 0.0f;
      }
    });
    ForStretches(a, width, 0, 1, [&](int x0, int x1) {
      MixRows rows;
      float* to[3];
      for (int c = 0; c < 3; ++c) {
        rows.color[c] = view.color[c].row(y) + x0;
        rows.screen[c] = view.screen[c].row(y) + x0;
        rows.foreground.mean[c] = lines[c].data() + x0;
        to[c] = found[c].data() + x0;
      }
      for (int k = 0; k < 6; ++k) rows.foreground.cov[k] = enlarge(3 + k, x0, x1);
      RecoverRow(rows, view.noise.terms, a + x0, x1 - x0, to);
    });
    for (int c = 0; c < 3; ++c) {
      const float *from = found[c].data(), *input = picture.planes[c].row(y);
      float* __restrict to = (*out)[c].row(y);
      for (int x = 0; x < width; ++x) {
        const float solid = input[x], soft = from[x] * back;
        to[x] = a[x] >= 1.0f ? solid : soft;
      }
    }
  }
  return true;
}

}  // namespace selvage
