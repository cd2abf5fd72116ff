// Colour-difference key. Formulas: proto/ops/key.proto.
#include <algorithm>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/screen.h"

namespace selvage::worker {
namespace {

// Two screen channels closer than this factor are keyed along the whole colour.
constexpr float kAutoFactor = 1.25f;
// Per pixel, a screen of less signal than this is no screen: foreground.
constexpr float kLeastSignal = 1e-6f;

float Larger(float a, float b) { return a > b ? a : b; }
float Smaller(float a, float b) { return a < b ? a : b; }

// What the screen amount is multiplied by, and its bounds then.
struct Amount {
  float gain, least, most;
};

Amount AmountOf(const ColorDifference& p) {
  const float gain = static_cast<float>(p.amount().value());
  // As far as a half goes, either way.
  return p.unclamped() ? Amount{gain, -65504, 65504} : Amount{gain, 0, 1};
}

// NaN counts as no screen.
float ToMatte(float t, const Amount& amount) {
  t = t * amount.gain;
  t = t == t ? t : 0.0f;
  t = t > amount.least ? t : amount.least;
  t = t < amount.most ? t : amount.most;
  return 1.0f - t;
}

// C.s minus the limit. Ends of the larger_weight are exact, not only nearly.
float ChannelSignal(float s, float o1, float o2, float larger_weight) {
  const float larger = Larger(o1, o2), smaller = Smaller(o1, o2);
  const float mixed = larger_weight * larger + (1.0f - larger_weight) * smaller;
  const float limit = larger_weight == 1.0f ? larger : larger_weight == 0.0f ? smaller : mixed;
  return s - limit;
}

// Colour along an axis: the largest screen channel first, so that swapping the
// other two changes no bit.
float AxisSignal(float s, float o1, float o2, const float* u) { return s * u[0] + (o1 * u[1] + o2 * u[2]); }

struct Rows {
  const float* s;
  const float* o1;
  const float* o2;
  float* out;
  int width;
};

void KeyChannel(const Rows& rows, float larger_weight, float of_screen, const Amount& amount) {
  for (int x = 0; x < rows.width; ++x) {
    rows.out[x] = ToMatte(ChannelSignal(rows.s[x], rows.o1[x], rows.o2[x], larger_weight) / of_screen, amount);
  }
}

void KeyAxis(const Rows& rows, const float* axis, float of_screen, const Amount& amount) {
  const float u[3] = {axis[0], axis[1], axis[2]};
  for (int x = 0; x < rows.width; ++x) {
    rows.out[x] = ToMatte(AxisSignal(rows.s[x], rows.o1[x], rows.o2[x], u) / of_screen, amount);
  }
}

// Screen amount where the screen itself has hardly any signal is 0.
float PlateMatte(float signal, float of_screen, const Amount& amount) {
  const float t = signal / of_screen;
  return ToMatte(of_screen > kLeastSignal ? t : 0.0f, amount);
}

struct PlateRows {
  const float* c[3];
  const float* s[3];
  float* out;
  int width;
};

void KeyPlateAxis(const PlateRows& rows, const Amount& amount) {
  for (int x = 0; x < rows.width; ++x) {
    const float r = rows.s[0][x], g = rows.s[1][x], b = rows.s[2][x];
    const float mean = (r + g + b) / 3.0f;
    const float ur = r - mean, ug = g - mean, ub = b - mean;
    const float signal = rows.c[0][x] * ur + rows.c[1][x] * ug + rows.c[2][x] * ub;
    rows.out[x] = PlateMatte(signal, r * ur + g * ug + b * ub, amount);
  }
}

void KeyPlateChannel(const float* sr, const float* sg, const float* sb, const float* cr, const float* cg,
                     const float* cb, int width, float larger_weight, const Amount& amount, float* __restrict out) {
  for (int x = 0; x < width; ++x) {
    const float r = sr[x], g = sg[x], b = sb[x];
    const float green_signal = ChannelSignal(cg[x], cr[x], cb[x], larger_weight),
                green_screen = ChannelSignal(g, r, b, larger_weight);
    const float blue_signal = ChannelSignal(cb[x], cr[x], cg[x], larger_weight),
                blue_screen = ChannelSignal(b, r, g, larger_weight);
    const float red_signal = ChannelSignal(cr[x], cg[x], cb[x], larger_weight),
                red_screen = ChannelSignal(r, g, b, larger_weight);
    // Blue unless red is larger; green where it is no smaller than that.
    const float signal = r > b ? red_signal : blue_signal, of_screen = r > b ? red_screen : blue_screen;
    const float other = r > b ? r : b;
    out[x] = PlateMatte(g >= other ? green_signal : signal, g >= other ? green_screen : of_screen, amount);
  }
}

bool UsesGeneralAxis(ColorDifference::Axis axis, const float* screen_first) {
  if (axis != ColorDifference::AUTO) return axis == ColorDifference::GENERAL;
  return Larger(screen_first[1], screen_first[2]) * kAutoFactor >= screen_first[0];
}

class ColorDifferenceOp final : public TypedOp<ColorDifference> {
 public:
  absl::Status Make(const OpContext&, const ColorDifference& p, const Inputs& in, Picture* out) const override {
    ASSIGN_OR_RETURN(const ScreenColor screen, ResolveScreen(p.screen(), in));
    const Picture& picture = in.main().picture;
    if (screen.plate) {
      MakeFromPlate(p, picture, *screen.plate, &out->planes[0]);
      return absl::OkStatus();
    }
    return MakeFromColor(p, picture, screen, &out->planes[0]);
  }

 private:
  static absl::Status MakeFromColor(const ColorDifference& p, const Picture& picture, const ScreenColor& screen,
                                    Plane* out) {
    const int s = screen.Channel(), o1 = s == 0 ? 1 : 0, o2 = s == 2 ? 1 : 2;
    const float color[3] = {screen.rgb[s], screen.rgb[o1], screen.rgb[o2]};
    const float larger_weight = static_cast<float>(p.larger_weight().value());
    const Amount amount = AmountOf(p);
    const bool general = UsesGeneralAxis(p.axis(), color);
    const float mean = (color[0] + (color[1] + color[2])) / 3.0f;
    const float axis[3] = {color[0] - mean, color[1] - mean, color[2] - mean};
    const float of_screen = general ? AxisSignal(color[0], color[1], color[2], axis)
                                    : ChannelSignal(color[0], color[1], color[2], larger_weight);
    if (!(of_screen > 0)) return NoHueError(screen);

    const Rect& rect = out->rect();
    for (int y = rect.y0; y < rect.y1; ++y) {
      const Rows rows{picture.planes[s].row(y), picture.planes[o1].row(y), picture.planes[o2].row(y), out->row(y),
                      rect.width()};
      if (general) {
        KeyAxis(rows, axis, of_screen, amount);
      } else {
        KeyChannel(rows, larger_weight, of_screen, amount);
      }
    }
    return absl::OkStatus();
  }

  static void MakeFromPlate(const ColorDifference& p, const Picture& picture, const Picture& plate, Plane* out) {
    const float larger_weight = static_cast<float>(p.larger_weight().value());
    const Amount amount = AmountOf(p);
    const Rect& rect = out->rect();
    for (int y = rect.y0; y < rect.y1; ++y) {
      PlateRows rows{{}, {}, out->row(y), rect.width()};
      for (int c = 0; c < 3; ++c) {
        rows.c[c] = picture.planes[c].row(y);
        rows.s[c] = plate.planes[c].row(y);
      }
      if (p.axis() == ColorDifference::CHANNEL) {
        KeyPlateChannel(rows.s[0], rows.s[1], rows.s[2], rows.c[0], rows.c[1], rows.c[2], rows.width, larger_weight,
                        amount, rows.out);
      } else {
        KeyPlateAxis(rows, amount);
      }
    }
  }
};
REGISTER_OP("color_difference", ColorDifferenceOp);

}  // namespace
}  // namespace selvage::worker
