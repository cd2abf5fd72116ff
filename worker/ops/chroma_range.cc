// Wedge in the chroma plane. Formulas: proto/ops/key.proto.
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/screen.h"
#include "worker/kernels/pixels/chroma_rows.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

// A fall-off of no width is a step.
constexpr float kLeastWidth = 1e-6f;

class ChromaRangeOp final : public TypedOp<ChromaRange> {
 public:
  absl::Status Make(const OpContext&, const ChromaRange& p, const Inputs& in, Picture* out) const override {
    ASSIGN_OR_RETURN(const ScreenColor screen, ResolveScreen(p.screen(), in));
    if (!(p.inner().value() < p.outer().value())) {
      return absl::InvalidArgumentError(
          absl::StrCat("outer (", p.outer().value(), ") must be more than inner (", p.inner().value(), ")"));
    }
    Wedge wedge;
    wedge.soft_angle = static_cast<float>(p.soft_angle().value());
    wedge.soft_angle = wedge.soft_angle > kLeastWidth ? wedge.soft_angle : kLeastWidth;
    wedge.far_angle = static_cast<float>(p.angle().value()) + wedge.soft_angle;
    wedge.inner = static_cast<float>(p.inner().value());
    wedge.span = static_cast<float>(p.outer().value() - p.inner().value());

    const Picture& picture = in.main().picture;
    const Chroma whole = ChromaOf(screen.rgb[0], screen.rgb[1], screen.rgb[2]);
    if (!screen.plate && !(LengthOf(whole) > kLeastChroma)) return NoHueError(screen);
    const std::vector<Plane>& c = picture.planes;
    ForRows(out->planes[0].rect(), [&](int y) {
      const float* const rgb[3] = {c[0].row(y), c[1].row(y), c[2].row(y)};
      const size_t count = static_cast<size_t>(out->rect().width());
      float* to = out->planes[0].row(y);
      if (screen.plate) {
        const std::vector<Plane>& s = screen.plate->planes;
        const float* const behind[3] = {s[0].row(y), s[1].row(y), s[2].row(y)};
        ChromaRangeRow(rgb, behind, wedge, count, to);
      } else {
        ChromaRangeRow(rgb, whole, wedge, count, to);
      }
    });
    return absl::OkStatus();
  }
};
REGISTER_OP("chroma_range", ChromaRangeOp);

}  // namespace
}  // namespace selvage::worker
