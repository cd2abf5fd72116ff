// Noise profile of a box of bare screen; the recipe is in worker/kernels/README.md.
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/measurement.h"
#include "worker/kernels/motion/box_texture.h"
#include "worker/kernels/motion/noise.h"

namespace selvage::worker {
namespace {

// Noise alone stays well below it.
constexpr double kMostTexture = 2;

class NoiseProfileOp final : public TypedOp<NoiseProfile> {
 public:
  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const NoiseProfile& params,
                                       const Inputs& in) const override {
    const SampleBox& box = params.box();
    const int64_t right = int64_t{box.x()} + box.width(), below = int64_t{box.y()} + box.height();
    if (right > INT32_MAX || below > INT32_MAX) return absl::InvalidArgumentError("the noise box is too large");
    const Rect rect = {box.x(), box.y(), static_cast<int>(right), static_cast<int>(below)};
    const Picture& picture = in.main().picture;
    ASSIGN_OR_RETURN(const NoiseMeasurement noise, MeasureNoise(picture, rect));
    const double texture = BoxTexture({&picture.planes[0], &picture.planes[1], &picture.planes[2]}, rect);
    if (const auto warning = TextureWarning(rect, texture, kMostTexture)) context.warning(*warning);
    Measurement measurement;
    for (float number : noise.ToNumbers()) measurement.add_values(number);
    return Serialise(measurement);
  }
};

REGISTER_OP("noise_profile", NoiseProfileOp);

}  // namespace
}  // namespace selvage::worker
