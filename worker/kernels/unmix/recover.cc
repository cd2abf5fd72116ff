#include "worker/kernels/unmix/recover.h"

#include <algorithm>
#include <cstdint>

#include "worker/kernels/geometry/bit_rows.h"
#include "worker/kernels/geometry/stretches.h"
#include "worker/kernels/unmix/foreground_model.h"
#include "worker/kernels/unmix/mix_rows.h"
#include "worker/kernels/unmix/screen_view.h"

namespace selvage::worker {
namespace {

// Alpha from which a pixel says something of the foreground's colour.
constexpr float kLeastAlpha = 0.3f;
// Colour is divided by alpha, so less is left open than where alpha is solved.
constexpr ForegroundModel::Openness kOpen{0.02f, 0.1f};

// Mean of the plate's brightest channel.
float LevelOf(const Picture& plate, const Rect& rect) {
  const std::array<float, 3> mean = MeanOfRows(plate, rect, 16);
  return *std::max_element(mean.begin(), mean.end());
}

// What the matte says of the foreground. Cells that the border cuts are completed
// with the nearest pixels: what is even has even cells then, to the bit.
std::vector<Plane> SamplesUnder(const ScreenView& view, const Plane& alpha) {
  const Rect& rect = alpha.rect();
  const Grid grid = FieldGrid(rect);
  const int width = rect.width(), padded = grid.cells().width() * grid.factor;
  const int last = rect.y0 + grid.cells().height() * grid.factor;
  ForegroundModel::Samples samples(grid);
  std::vector<float> lines(10 * static_cast<size_t>(padded));
  float* line[10];
  for (int i = 0; i < 10; ++i) line[i] = lines.data() + static_cast<ptrdiff_t>(i) * padded;
  std::vector<uint8_t> bits(width);
  for (int virtual_y = rect.y0; virtual_y < last; ++virtual_y) {
    const int y = std::min(virtual_y, rect.y1 - 1);
    const float* a = alpha.row(y);
    WithinRow(a, 0, 2, width, bits.data());
    ForStretches(bits.data(), width, [&](int x0, int x1) {
      const float *c[3], *s[3];
      for (int k = 0; k < 3; ++k)
        c[k] = view.color.Row(k, y, x0, x1, line[4 + k]), s[k] = view.screen.Row(k, y, x0, x1, line[7 + k]);
      SamplesRow(c, s, a + x0, kLeastAlpha, x1 - x0, line[0], line + 1);
      int count = x1 - x0;
      if (x1 == width) {
        for (int i = 0; i < 4; ++i) std::fill(line[i] + count, line[i] + (padded - x0), line[i][count - 1]);
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
    ReachedRow(alpha.row(y), 1, width, core.row(y - rect.y0));
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
  view.color = ColorRows(picture, rect, view.gain, -65504);
  view.screen = ColorRows(plate, rect, view.gain, kDarkestScreen);
  view.noise = MeasureScreenNoise(view.color, view.screen, nullptr);
  ForegroundModel model;
  if (!model.Build(view, SamplesUnder(view, alpha), alpha, CoreOf(alpha), kOpen, stopped)) return false;

  Enlarger enlarger(FieldGrid(rect));
  std::vector<std::vector<float>> lines(9, std::vector<float>(enlarger.row_size()));
  std::vector<float> found[3], color[3], screen[3];
  for (auto* rows : {found, color, screen}) {
    for (int c = 0; c < 3; ++c) rows[c].resize(width);
  }
  const float back = 1 / view.gain;
  std::vector<uint8_t> bits(width);
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* a = alpha.row(y);
    const auto enlarge = [&](int field, int x0, int x1) {
      enlarger.Part(model.fields()[field], y, x0, x1, lines[field].data());
      return lines[field].data() + x0;
    };
    WithinRow(a, -1, 1, width, bits.data());
    ForStretches(bits.data(), width, [&](int x0, int x1) {
      for (int c = 0; c < 3; ++c) FiniteRow(enlarge(c, x0, x1), 1, 0, x1 - x0, found[c].data() + x0);
    });
    WithinRow(a, 0, 1, width, bits.data());
    ForStretches(bits.data(), width, [&](int x0, int x1) {
      MixRows rows;
      float* to[3];
      for (int c = 0; c < 3; ++c) {
        rows.color[c] = view.color.Row(c, y, x0, x1, color[c].data());
        rows.screen[c] = view.screen.Row(c, y, x0, x1, screen[c].data());
        rows.foreground.mean[c] = lines[c].data() + x0;
        to[c] = found[c].data() + x0;
      }
      for (int k = 0; k < 6; ++k) rows.foreground.cov[k] = enlarge(3 + k, x0, x1);
      RecoverRow(rows, view.noise.terms, a + x0, x1 - x0, to);
    });
    for (int c = 0; c < 3; ++c) UnderRow(a, picture.planes[c].row(y), found[c].data(), back, width, (*out)[c].row(y));
  }
  return true;
}

}  // namespace selvage::worker
