// A picture before its clean plate: how noisy it is, and where it is bare screen
// for sure. Recipe in worker/kernels/README.md.
#pragma once

#include <array>
#include <functional>
#include <vector>

#include "absl/status/statusor.h"
#include "worker/kernels/geometry/bitmap.h"
#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/unmix/screen_rows.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// R, G, B over one rectangle.
using Rgb = std::array<Plane, 3>;

// Pixel distances of the keying recipe are for 360 lines.
inline double KeyScale(const Rect& rect) { return rect.height() / 360.0; }

// R, G, B of a picture over `rect` times gain, every sample a number from `least`
// up to 65504.
Rgb FiniteRgb(const Picture& picture, const Rect& rect, float gain, float least);

// The three colours of a picture by rows: as they are, or made finite and scaled when
// they are asked for, which costs less than planes of them in memory. What it is of
// must outlive it.
class ColorRows {
 public:
  ColorRows() = default;
  ColorRows(const Rgb& planes) : planes_{&planes[0], &planes[1], &planes[2]}, rect_(planes[0].rect()), as_is_(true) {}
  ColorRows(const Picture& picture, const Rect& rect, float gain, float least)
      : planes_{&picture.planes[0], &picture.planes[1], &picture.planes[2]}, rect_(rect), gain_(gain), least_(least) {}
  const Rect& rect() const { return rect_; }
  // Three pixels of row y about column x (in absolute coordinates).
  std::array<float, 3> Three(int c, int x, int y) const {
    const float* v = planes_[c]->row(y) + (x - rect_.x0);
    if (as_is_) return {v[-1], v[0], v[1]};
    return {Finite(v[-1], gain_, least_), Finite(v[0], gain_, least_), Finite(v[1], gain_, least_)};
  }
  // Columns x0 to x1 - 1 (0 is the first) of row y: where they are, or in `buffer`.
  const float* Row(int c, int y, int x0, int x1, float* buffer) const {
    const float* from = planes_[c]->row(y) + x0;
    if (as_is_) return from;
    FiniteRow(from, gain_, least_, x1 - x0, buffer);
    return buffer;
  }

 private:
  const Plane* planes_[3] = {};
  Rect rect_;
  float gain_ = 1, least_ = 0;
  bool as_is_ = false;
};

// The power of two that brings a level near 0.5, where the recipe's constants were
// found. REQUIRES: above 0.
float NearHalf(float level);

// Clean plates are nowhere darker.
constexpr float kDarkestScreen = 1e-4f;
// What even a good clean plate is off by, as a share.
constexpr float kPlateError = 0.008f;
// Squared distance up to which a pixel is bare screen; see SureScreen.
constexpr float kSureDistance = 13;

// Mean of a clean plate over every `step`th row: plates are smooth.
std::array<float, 3> MeanOfRows(const Picture& plate, const Rect& rect, int step);

// Means of cells.
Rgb CellColors(const Grid& grid, const ColorRows& color);

struct ScreenNoise {
  NoiseTerms terms;
  // Variance of a mean over 3x3 pixels as a share of that of a pixel: 1/9 where
  // the noise is white, up to 1/3 where 4:2:0 sampling or a codec smoothed it.
  float share_of_mean = 1.0f / 9;
};

// From robust deviations of color - screen where it is small against the noise
// itself, within `where` if given. Where next to nothing is screen: noise of 1 % of
// the screen. Never below the rounding of stored plates.
ScreenNoise MeasureScreenNoise(const ColorRows& color, const ColorRows& screen, const Bitmap* where);

// Bare screen as it is in the plate, or in another light.
struct BareScreen {
  // Squared distance of the 3x3 mean from the screen below a limit, or in the
  // screen's hue, changing slowly from place to place and joined to screen in its
  // own light: a shadow, a wrinkle.
  Bitmap found;
  // In the screen's hue, lit or shaded within reason, slowly changing or not.
  Bitmap alike;
};
// `look` is given every row of both, from the top.
using LookAtRows = std::function<void(const float* const color[3], const float* const screen[3])>;
BareScreen FindBareScreen(const ColorRows& color, const ColorRows& screen, const ScreenNoise& noise, float limit,
                          const LookAtRows& look = nullptr);
// The squared distances themselves.
Plane ScreenDistance(const ColorRows& color, const ColorRows& screen, const ScreenNoise& noise);

struct ScreenView {
  // As given, but finite; both times `gain`, which brings the screen near 0.5.
  ColorRows color, screen;
  float gain = 1;
  // Mean of the screen, and its direction away from grey (length 1).
  std::array<float, 3> mean{}, axis{};
  ScreenNoise noise;
  // BareScreen with more than 70 % of the 3x3 neighbours, and its `alike`.
  Bitmap sure, alike;
  // Means over the cells of CoreGrid.
  Rgb color_cells, screen_cells;
};

// Cells in which the recipe's smooth fields are worked out: 2 pixels at 360 lines.
Grid FieldGrid(const Rect& rect);
// Cells of what is found without pixels' precision: pixels up to 719 lines, squares
// of a few in taller pictures, where distances grow with the height.
Grid CoreGrid(const Rect& rect);

// Errors: INVALID_ARGUMENT the plate has no hue.
absl::StatusOr<ScreenView> ViewScreen(const Picture& picture, const Picture& plate, const Rect& rect, float distance);

// 0 and 1, as a matte.
void FromBitmap(const Bitmap& bits, Plane* matte);

// Light denoising for keys: Lee's local Wiener filter, one gain for all channels.
// With `where`: only around its pixels, the rest is not set. Source: Lee 1980.
Rgb Denoised(const ColorRows& color, const NoiseTerms& noise, const Bitmap* where = nullptr);

}  // namespace selvage::worker
