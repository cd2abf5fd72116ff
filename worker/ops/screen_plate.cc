// A clean plate from the picture itself. Contract: proto/ops/repair.proto.
#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/kernels/plate_fit.h"
#include "worker/kernels/screen_hue.h"
#include "worker/op.h"
#include "worker/screen.h"

namespace selvage {
namespace {

template <class Test>
Bitmap BitsOf(const Input* matte, const Rect& rect, const Test& test) {
  Bitmap bits(rect.width(), rect.height());
  if (!matte) return bits;
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* from = matte->picture.planes[0].row(y);
    uint8_t* to = bits.row(y - rect.y0);
    for (int x = 0; x < rect.width(); ++x) to[x] = test(from[x]);
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
absl::StatusOr<std::array<float, 3>> ColorOfScreen(const ScreenPlate& p, const Inputs& in, const Rgb& color) {
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
    case Screen::kPlate: {
      ASSIGN_OR_RETURN(const ScreenColor given, ResolveScreen(p.screen(), in));
      found = FindScreenColor(FiniteRgb(*given.plate, color[0].rect(), 1, 0), std::nullopt);
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
    std::vector<PlateFrame> frames;
    for (const Input* input : inputs) {
      frames.push_back({FiniteRgb(input->picture, rect, 1, -65504),
                        BitsOf(in.Find("bare", input->frame_offset), rect, [](float v) { return v >= 1; }),
                        BitsOf(in.Find("cover", input->frame_offset), rect, [](float v) { return v > 0; })});
    }
    ASSIGN_OR_RETURN(auto color, ColorOfScreen(p, in, frames[0].color));
    const float gain = NearHalf(std::max({color[0], color[1], color[2]}));
    for (float& v : color) v *= gain;
    for (PlateFrame& frame : frames) {
      for (Plane& plane : frame.color) {
        for (int y = rect.y0; y < rect.y1; ++y) {
          float* row = plane.row(y);
          for (int x = 0; x < rect.width(); ++x) row[x] *= gain;
        }
      }
    }
    const auto plate = FitPlate(frames, color, static_cast<int>(p.degree()), context.stopped);
    if (!plate) return absl::CancelledError("nobody waits for it");
    for (int c = 0; c < 3; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        FiniteRow((*plate)[c].row(y), 1 / gain, kDarkestScreen, rect.width(), out->planes[c].row(y));
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("screen_plate", ScreenPlateOp);

}  // namespace
}  // namespace selvage
