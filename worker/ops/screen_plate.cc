// A clean plate from the picture itself. Contract: proto/ops/repair.proto.
#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/screen.h"
#include "worker/kernels/unmix/foreground_model.h"
#include "worker/kernels/unmix/plate_fit.h"
#include "worker/kernels/unmix/screen_hue.h"

namespace selvage::worker {
namespace {

// A screen is smooth: in tall pictures cells of a few pixels, 270 lines of them at
// least, say as much as pixels.
Grid PlateGrid(const Rect& rect) {
  int factor = 1;
  while (factor < 32 && 2 * factor * 270 <= rect.height()) factor *= 2;
  return {rect, factor};
}

Rgb CellsOfPicture(const Picture& picture, const Grid& grid) {
  return CellColors(grid, ColorRows(picture, grid.fine, 1, -65504));
}

enum class Of { kAnyPixel, kAllPixels };

// Cells with any pixel, or with all, for which test(matte).
template <class Test>
Bitmap CellBits(const Input* matte, const Grid& grid, Of of, const Test& test) {
  Bitmap bits(grid.cells().width(), grid.cells().height(), matte && of == Of::kAllPixels);
  if (!matte) return bits;
  const Rect& rect = grid.fine;
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* from = matte->picture.planes[0].row(y);
    uint8_t* to = bits.row((y - rect.y0) / grid.factor);
    for (int x = 0; x < rect.width(); ++x) {
      uint8_t& bit = to[x / grid.factor];
      bit = of == Of::kAnyPixel ? bit | test(from[x]) : bit & test(from[x]);
    }
  }
  return bits;
}

bool IsEven(const Picture& picture) {
  for (int c = 0; c < 3; ++c) {
    const Plane& plane = picture.planes[c];
    const Rect& r = plane.rect();
    const float first = plane.at(r.x0, r.y0);
    for (int y = r.y0; y < r.y1; ++y) {
      const float* row = plane.row(y);
      if (!std::all_of(row, row + r.width(), [&](float v) { return v == first; })) return false;
    }
  }
  return true;
}

// The screen's colour: near the given one, or the most frequent hue.
absl::StatusOr<std::array<float, 3>> ColorOfScreen(const ScreenPlate& p, const Inputs& in, const Rgb& color,
                                                   const Grid& grid) {
  std::optional<int> channel;
  std::optional<std::array<float, 3>> found;
  switch (p.screen().from_case()) {
    case Screen::kColor:
    case Screen::kSample: {
      ASSIGN_OR_RETURN(const ScreenColor given, ResolveScreen(p.screen(), in));
      const float most = std::max({given.rgb[0], given.rgb[1], given.rgb[2]});
      if (!(most > std::min({given.rgb[0], given.rgb[1], given.rgb[2]})) || !(most > 0)) return NoHueError(given);
      return ScreenColorNear(color, {given.rgb[0], given.rgb[1], given.rgb[2]});
    }
    case Screen::kCleanPlate: {
      ASSIGN_OR_RETURN(const ScreenColor given, ResolveScreen(p.screen(), in));
      found = FindScreenColor(CellsOfPicture(*given.plate, grid), std::nullopt);
      break;
    }
    case Screen::kHue:
      channel = p.screen().hue() == Screen::BLUE ? 2 : 1;
      [[fallthrough]];
    case Screen::FROM_NOT_SET:
      found = FindScreenColor(color, channel);
      break;
  }
  if (!found) {
    return absl::InvalidArgumentError(
        absl::StrCat("no part of the picture has the ", channel ? (*channel == 2 ? "blue " : "green ") : "",
                     "hue of a screen; give the colour of the screen, or a box of it, as screen"));
  }
  return *found;
}

class ScreenPlateOp final : public TypedOp<ScreenPlate> {
 public:
  // All over the output's window, also where another frame's or a matte's window is another.
  Rect Reads(const OpContext&, const ScreenPlate&, const Rect& out, const Input&) const override { return out; }

  absl::Status Make(const OpContext& context, const ScreenPlate& p, const Inputs& in, Picture* out) const override {
    const Rect& rect = out->rect();
    if (rect.empty()) return absl::OkStatus();
    out->planes[3] = Plane::Filled(rect, 1);
    if (IsEven(in.main().picture)) {
      for (int c = 0; c < 3; ++c) {
        const float v = in.main().picture.planes[c].at(rect.x0, rect.y0);
        out->planes[c] = Plane::Filled(rect, v > kDarkestScreen ? v : kDarkestScreen);
      }
      return absl::OkStatus();
    }
    std::vector<const Input*> inputs;
    for (const Input& input : in.all()) {
      if (input.port == "in" && !input.picture.rect().empty()) inputs.push_back(&input);
    }
    // The frame itself first, then in order of time: sums keep their order.
    std::sort(inputs.begin(), inputs.end(), [](const Input* a, const Input* b) {
      if (a->frame_offset == 0 || b->frame_offset == 0) return b->frame_offset != 0;
      return a->frame_offset < b->frame_offset;
    });
    const Grid grid = PlateGrid(rect);
    std::vector<PlateFrame> frames;
    for (const Input* input : inputs) {
      frames.push_back(
          {CellsOfPicture(input->picture, grid),
           CellBits(in.Find("bare", input->frame_offset), grid, Of::kAllPixels, [](float v) { return v >= 1; }),
           CellBits(in.Find("cover", input->frame_offset), grid, Of::kAnyPixel, [](float v) { return v > 0; })});
    }
    ASSIGN_OR_RETURN(auto color, ColorOfScreen(p, in, frames[0].color, grid));
    const float gain = NearHalf(std::max({color[0], color[1], color[2]}));
    for (float& v : color) v *= gain;
    for (PlateFrame& frame : frames) {
      for (Plane& plane : frame.color) {
        for (int Y = 0; Y < plane.rect().y1; ++Y) {
          float* row = plane.row(Y);
          for (int X = 0; X < plane.rect().x1; ++X) row[X] *= gain;
        }
      }
    }
    const auto plate = FitPlate(frames, color, static_cast<int>(p.degree()), context.stopped);
    if (!plate) return absl::CancelledError("cancelled: no job needs this");
    Enlarger enlarger(grid);
    std::vector<float> line(enlarger.row_size());
    for (int c = 0; c < 3; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        enlarger.Row((*plate)[c], y, line.data());
        FiniteRow(line.data(), 1 / gain, kDarkestScreen, rect.width(), out->planes[c].row(y));
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("screen_plate", ScreenPlateOp);

}  // namespace
}  // namespace selvage::worker
