// An uneven screen divided out. Formula: proto/ops/repair.proto.
#include <array>

#include "proto/status.h"
#include "worker/chain/op.h"

namespace selvage::worker {
namespace {

// A clean plate darker than this says nothing (screen_plate gives no less).
constexpr float kLeastScreen = 1e-4f;

// C / S first: bare screen becomes the level to the bit.
void LevelRow(const float* color, const float* screen, float level, int n, float* __restrict to) {
  for (int x = 0; x < n; ++x) {
    const float s = screen[x] > kLeastScreen ? screen[x] : kLeastScreen;
    to[x] = color[x] / s * level;
  }
}

absl::StatusOr<std::array<float, 3>> LevelOf(const ScreenLevel& p, const Inputs& in) {
  switch (p.to_case()) {
    case ScreenLevel::kColor:
      return std::array<float, 3>{static_cast<float>(p.color().r()), static_cast<float>(p.color().g()),
                                  static_cast<float>(p.color().b())};
    case ScreenLevel::kSample: {
      const Input* measured = in.Find("sample");
      if (!measured || measured->numbers.size() < 3) return absl::InternalError("sample was not measured");
      return std::array<float, 3>{measured->numbers[0], measured->numbers[1], measured->numbers[2]};
    }
    default:
      return absl::InvalidArgumentError("needs a level: set `color` or `sample`");
  }
}

class ScreenLevelOp final : public TypedOp<ScreenLevel> {
  absl::Status Make(const OpContext&, const ScreenLevel& p, const Inputs& in, Picture* out) const override {
    ASSIGN_OR_RETURN(const auto level, LevelOf(p, in));
    const Picture& picture = in.main().picture;
    const Picture& screen = in.Find("clean_plate")->picture;
    const Rect rect = out->rect();
    for (int c = 0; c < 3; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        LevelRow(picture.planes[c].row(y), screen.planes[c].row(y), level[c], rect.width(), out->planes[c].row(y));
      }
    }
    out->planes[3] = picture.planes[3];
    return absl::OkStatus();
  }
};
REGISTER_OP("screen_level", ScreenLevelOp);

}  // namespace
}  // namespace selvage::worker
