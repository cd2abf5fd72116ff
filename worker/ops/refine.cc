// A matte pulled to the picture's edges. Contract: proto/ops/key.proto.
#include <array>
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/pixels/box_sums.h"
#include "worker/kernels/pixels/guided_filter.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

// Solid above the one, empty below the other: outside the Laplacian's band.
constexpr float kSolid = 0.99f, kEmpty = 0.01f;
// Largest binary16. Sums of anything larger would not come back to what they were.
constexpr float kMostLight = 65504.0f;

// Held within low..high; what is no number is 0.
Plane Held(const Plane& in, const Rect& rect, float low, float high) {
  Plane out(rect);
  ForRows(rect, [&](int y) {
    const float* from = in.row(y);
    float* to = out.row(y);
    for (int x = 0; x < rect.width(); ++x) {
      float v = from[x] == from[x] ? from[x] : 0.0f;
      v = v > low ? v : low;
      to[x] = v < high ? v : high;
    }
  });
  return out;
}

// 1 where the matte is neither solid nor empty all over the window about a pixel.
std::vector<uint8_t> BandOf(const Plane& matte, int radius) {
  const Rect& rect = matte.rect();
  std::vector<uint8_t> band(rect.area());
  BoxSums<2>(
      rect, radius,
      [&](int y, std::array<double, 2>* row) {
        const float* from = matte.row(y);
        for (int x = 0; x < rect.width(); ++x) row[x] = {from[x] > kEmpty ? 1.0 : 0.0, from[x] < kSolid ? 1.0 : 0.0};
      },
      [&](int y, const std::array<double, 2>* sums, const int*) {
        uint8_t* to = band.data() + static_cast<size_t>(y - rect.y0) * rect.width();
        for (int x = 0; x < rect.width(); ++x) to[x] = sums[x][0] > 0 && sums[x][1] > 0;
        return true;
      });
  return band;
}

class RefineOp final : public TypedOp<Refine> {
 public:
  // All of the output's window of every input, also where theirs is another.
  Rect Reads(const OpContext&, const Refine&, const Rect& out, const Input&) const override { return out; }

  absl::Status Make(const OpContext& context, const Refine& p, const Inputs& in, Picture* out) const override {
    const Rect rect = out->rect();
    if (rect.empty()) return absl::OkStatus();
    const int radius = static_cast<int>(p.radius()), iterations = static_cast<int>(p.laplacian());
    const double epsilon = p.epsilon().value();
    std::vector<Plane> guide;
    for (int c = 0; c < 3; ++c) {
      guide.push_back(Held(in.Find("guide")->picture.planes[c], rect, -kMostLight, kMostLight));
    }
    const Plane matte = Held(in.main().picture.planes[0], rect, 0, 1);
    Plane result(rect);
    if (!GuidedFilter(guide, matte, radius, epsilon, context.stopped, &result)) return Stopped();
    if (iterations > 0) {
      const std::vector<uint8_t> band = BandOf(matte, radius);
      ForRows(rect, [&](int y) {
        const uint8_t* open = band.data() + static_cast<size_t>(y - rect.y0) * rect.width();
        const float* from = matte.row(y);
        float* to = result.row(y);
        for (int x = 0; x < rect.width(); ++x) to[x] = open[x] ? to[x] : from[x];
      });
      if (!SolveMattingLaplacian(guide, band, epsilon, iterations, context.stopped, &result)) return Stopped();
    }
    out->planes[0] = Held(result, rect, 0, 1);
    return absl::OkStatus();
  }

 private:
  static absl::Status Stopped() { return absl::CancelledError("cancelled: no job needs this"); }
};
REGISTER_OP("refine", RefineOp);

}  // namespace
}  // namespace selvage::worker
