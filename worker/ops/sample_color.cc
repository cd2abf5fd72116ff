// Mean colour of a box, as a Measurement: R G B A, or A alone of a matte.
#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "worker/chain/op.h"
#include "worker/inputs/measurement.h"
#include "worker/kernels/motion/box_texture.h"

namespace selvage::worker {
namespace {

Rect BoxOf(const SampleBox& b) {
  // Sums that leave int are outside any picture anyway.
  const int64_t x1 = int64_t{b.x()} + b.width(), y1 = int64_t{b.y()} + b.height();
  const auto limited = [](int64_t v) { return static_cast<int>(std::min<int64_t>(v, 1 << 30)); };
  return {b.x(), b.y(), limited(x1), limited(y1)};
}

// More than in noise_profile: hair may be sampled as well as bare screen. Where
// something else begins inside the box it is more by far.
constexpr double kMostTexture = 3;

class SampleColorOp final : public TypedOp<SampleColor> {
  Rect Reads(const OpContext&, const SampleColor& p, const Rect&, const Input& input) const override {
    return BoxOf(p.box()).Intersect(input.window);
  }

  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const SampleColor& p,
                                       const Inputs& in) const override {
    const Input& main = in.main();
    const Rect box = BoxOf(p.box());
    if (box.empty()) return absl::InvalidArgumentError("the box to measure in is empty");
    if (!main.window.Contains(box)) {
      const Rect& w = main.window;
      return absl::InvalidArgumentError(absl::StrCat("the box to measure in (x ", box.x0, "..", box.x1, ", y ", box.y0,
                                                     "..", box.y1, ") is not inside the picture (x ", w.x0, "..", w.x1,
                                                     ", y ", w.y0, "..", w.y1, ")"));
    }
    const std::vector<Plane>& planes = main.picture.planes;
    // Row by row in binary64: one order on every machine. A pixel with a sample
    // that is no number, or infinite, counts for nothing.
    std::vector<double> sum(planes.size());
    size_t count = 0;
    for (int y = box.y0; y < box.y1; ++y) {
      for (int x = box.x0; x < box.x1; ++x) {
        bool finite = true;
        for (const Plane& plane : planes) finite = finite && std::isfinite(plane.at(x, y));
        if (!finite) continue;
        ++count;
        for (size_t c = 0; c < planes.size(); ++c) sum[c] += planes[c].at(x, y);
      }
    }
    if (count == 0) return absl::InvalidArgumentError("the box to measure in holds no finite pixel");
    std::vector<const Plane*> all;
    for (const Plane& plane : planes) all.push_back(&plane);
    if (const auto warning = TextureWarning(box, BoxTexture(all, box), kMostTexture)) context.warning(*warning);
    Measurement measurement;
    for (double s : sum) measurement.add_values(static_cast<float>(s / static_cast<double>(count)));
    return Serialise(measurement);
  }
};
REGISTER_OP("sample_color", SampleColorOp);

}  // namespace
}  // namespace selvage::worker
