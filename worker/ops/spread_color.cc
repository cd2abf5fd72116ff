// Colour of the solid core pushed outward. Contract: proto/ops/color.proto.
#include <algorithm>
#include <cmath>
#include <vector>

#include "absl/strings/str_format.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/kernels/geometry/distance.h"
#include "worker/kernels/pixels/pull_push.h"

namespace selvage::worker {
namespace {

// 1 where the core is at least `solid`.
std::vector<uint8_t> SolidPixels(const Plane& core, const Rect& rect, float solid) {
  std::vector<uint8_t> bitmap(rect.area());
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* from = core.row(y);
    uint8_t* to = bitmap.data() + static_cast<size_t>(y - rect.y0) * rect.width();
    for (int x = 0; x < rect.width(); ++x) to[x] = from[x] >= solid;
  }
  return bitmap;
}

// 1 where colour is taken from: solid, no pixel that is not solid within
// `inset`, and finite (one infinite pixel would fill the frame).
Plane Sources(const std::vector<uint8_t>& solid, const Picture& picture, const Rect& rect, double inset) {
  PooledVector<int16_t> distance;
  if (inset > 0) {
    std::vector<uint8_t> open(solid.size());
    std::transform(solid.begin(), solid.end(), open.begin(), [](uint8_t s) { return s ^ 1; });
    distance = SquaredDistanceUpTo(open, rect.width(), rect.height(), static_cast<int>(std::ceil(inset)));
  }
  const double inset2 = inset * inset;
  Plane weight(rect);
  for (int y = rect.y0; y < rect.y1; ++y) {
    const size_t row = static_cast<size_t>(y - rect.y0) * rect.width();
    const float *r = picture.planes[0].row(y), *g = picture.planes[1].row(y), *b = picture.planes[2].row(y);
    float* w = weight.row(y);
    for (int x = 0; x < rect.width(); ++x) {
      const bool deep = distance.empty() || distance[row + x] > inset2;
      const bool finite = std::isfinite(r[x]) && std::isfinite(g[x]) && std::isfinite(b[x]);
      w[x] = solid[row + x] && deep && finite ? 1.0f : 0.0f;
    }
  }
  return weight;
}

bool NothingIn(const Plane& weight) {
  for (int y = weight.rect().y0; y < weight.rect().y1; ++y) {
    const float* row = weight.row(y);
    if (std::any_of(row, row + weight.rect().width(), [](float w) { return w > 0; })) return false;
  }
  return true;
}

class SpreadColorOp final : public TypedOp<SpreadColor> {
 public:
  // All of the output's window of every input, also where theirs is another.
  Rect Reads(const OpContext&, const SpreadColor&, const Rect& out, const Input&) const override { return out; }

  absl::Status Make(const OpContext& context, const SpreadColor& p, const Inputs& in, Picture* out) const override {
    const Input* core = in.Find("core");
    if (!core) return absl::InternalError("core is not connected");
    const Picture& picture = in.main().picture;
    const Rect& rect = out->rect();
    out->planes[3] = picture.planes[3];
    const float amount = static_cast<float>(p.amount().value());
    if (rect.empty() || amount <= 0) {
      out->planes = picture.planes;
      return absl::OkStatus();
    }

    const std::vector<uint8_t> solid =
        SolidPixels(core->picture.planes[0], rect, static_cast<float>(p.solid().value()));
    const Plane weight = Sources(solid, picture, rect, p.inset().value());
    if (NothingIn(weight)) {
      context.warning(
          absl::StrFormat("the core is nowhere solid (%g or more, %g px inside its edge): no colour was spread",
                          p.solid().value(), p.inset().value()));
    }
    std::vector<Plane> pushed;
    for (int c = 0; c < 3; ++c) {
      pushed.emplace_back(rect);
      for (int y = rect.y0; y < rect.y1; ++y) std::copy_n(picture.planes[c].row(y), rect.width(), pushed[c].row(y));
    }
    if (!PullPush(weight, &pushed, context.stopped)) return absl::CancelledError("cancelled: no job needs this");
    for (int c = 0; c < 3; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        const uint8_t* inside = solid.data() + static_cast<size_t>(y - rect.y0) * rect.width();
        const float* plate = picture.planes[c].row(y);
        const float* from = pushed[c].row(y);
        float* to = out->planes[c].row(y);
        for (int x = 0; x < rect.width(); ++x) {
          const float mixed = amount >= 1.0f ? from[x] : (1.0f - amount) * plate[x] + amount * from[x];
          to[x] = inside[x] ? plate[x] : mixed;
        }
      }
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("spread_color", SpreadColorOp);

}  // namespace
}  // namespace selvage::worker
