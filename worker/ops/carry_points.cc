// Carries a shape of a mask to the next or previous frame, as a Measurement.
#include <cmath>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/mask.h"
#include "worker/inputs/measurement.h"
#include "worker/kernels/motion/carry.h"

namespace selvage::worker {
namespace {

class CarryPointsOp final : public TypedOp<CarryPoints> {
  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const CarryPoints& params,
                                       const Inputs& in) const override {
    const Input* from = in.Find("from");
    const Outline& outline = from == nullptr ? params.drawn() : from->measured->outline();
    std::vector<Chord> chords;
    for (const Outline::Path& path : outline.path()) RETURN_IF_ERROR(FlattenPath(path.xy(), &chords));
    ASSIGN_OR_RETURN(const MotionPair motion, DecodeMotion(in.Find("motion")->measured->motion()));
    const FillRule rule = params.even_odd() ? FillRule::kEvenOdd : FillRule::kNonZero;
    const ShapeMotion moved(chords, rule, params.around(), params.backward() ? motion.back : motion.there,
                            params.backward() ? motion.there : motion.back);
    if (moved.lost()) return Lost(context);
    Measurement measurement;
    for (const Outline::Path& path : outline.path()) {
      auto* xy = measurement.mutable_outline()->add_path()->mutable_xy();
      for (int i = 0; i + 1 < path.xy_size(); i += 2) {
        const Point by = moved.Of({path.xy(i), path.xy(i + 1)});
        xy->Add(path.xy(i) + by.x);
        xy->Add(path.xy(i + 1) + by.y);
      }
    }
    for (const Outline::Path& path : measurement.outline().path()) {
      for (double v : path.xy()) {
        if (!(std::abs(v) <= kFurthest)) return Lost(context);
      }
    }
    return Serialise(measurement);
  }

 private:
  // As far out as a point may be drawn.
  static constexpr double kFurthest = 1e6;

  static absl::Status Lost(const OpContext& context) {
    const int shape = context.task == nullptr ? 1 : static_cast<int>(context.task->first_step()) + 1;
    return absl::InvalidArgumentError(
        absl::StrCat("shape ", shape, " has lost what it follows; draw it at frame ", context.frame));
  }
};
REGISTER_OP("carry_points", CarryPointsOp);

}  // namespace
}  // namespace selvage::worker
