// Motion of a picture from one frame to another, both ways, as a Measurement.
#include "worker/chain/op.h"
#include "worker/inputs/measurement.h"
#include "worker/kernels/motion/motion_pair.h"
#include "worker/kernels/motion/plate_rows.h"

namespace selvage::worker {
namespace {

class MotionFieldOp final : public TypedOp<MotionField> {
  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const MotionField&, const Inputs& in) const override {
    const Picture& earlier = in.main().picture;
    const Picture& later = in.Find("to")->picture;
    const Rect window = earlier.rect();
    const LumaPyramid from = LumaOf(earlier, window, kCameraCurves);
    if (context.stopped()) return absl::CancelledError("cancelled: no job needs this");
    const LumaPyramid to = LumaOf(later, window, kCameraCurves);
    Measurement measurement;
    measurement.set_motion(EncodeMotion(EstimateBothWays(from, to)));
    return Serialise(measurement);
  }
};
REGISTER_OP("motion_field", MotionFieldOp);

}  // namespace
}  // namespace selvage::worker
