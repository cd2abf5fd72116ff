// Gain, lift, exposure, gamma and offset of colour, in that order.
#include <vector>

#include "worker/chain/op.h"
#include "worker/kernels/pixels/color_rows.h"
#include "worker/kernels/pixels/math.h"
#include "worker/kernels/pixels/pointwise_rows.h"
#include "worker/kernels/pixels/transfer.h"

namespace selvage::worker {
namespace {

// What is done to one channel. Neutral values do nothing at all, so that a grade
// left at its defaults gives the input's bits.
struct Channel {
  float gain, lift, exposure, offset;
  double exponent;  // 1 / gamma

  Channel(double gain, double lift, double gamma, double offset, double stops)
      : gain(static_cast<float>(gain)),
        lift(static_cast<float>(lift)),
        exposure(static_cast<float>(Exp2(stops))),
        offset(static_cast<float>(offset)),
        exponent(1 / gamma) {}

  bool scales() const { return gain != 1 || lift != 0 || exposure != 1; }
  bool neutral() const { return !scales() && exponent == 1 && offset == 0; }

  void Row(const float* in, float* out, size_t count) const {
    if (scales()) GradeRow(gain, lift, exposure, in, out, count);
    const float* so_far = scales() ? out : in;
    if (exponent != 1) PowerRow(exponent, so_far, out, count);
    if (exponent != 1) so_far = out;
    if (offset != 0) AddRow(offset, so_far, out, count);
  }
};

class GradeOp final : public TypedOp<Grade> {
  absl::Status Make(const OpContext&, const Grade& p, const Inputs& in, Picture* out) const override {
    const double stops = p.stops().value();
    const Channel channels[3] = {
        {p.gain().r(), p.lift().r(), p.gamma().r(), p.offset().r(), stops},
        {p.gain().g(), p.lift().g(), p.gamma().g(), p.offset().g(), stops},
        {p.gain().b(), p.lift().b(), p.gamma().b(), p.offset().b(), stops},
    };
    const Picture& picture = in.main().picture;
    const Input* mask = in.Find("mask");
    const Rect rect = out->rect();
    const size_t count = static_cast<size_t>(rect.width());
    out->planes[3] = picture.planes[3];
    for (int c = 0; c < 3; ++c) {
      const Plane& from = picture.planes[c];
      if (channels[c].neutral()) {
        out->planes[c] = from;
        continue;
      }
      Plane& to = out->planes[c];
      ForRows(rect, [&](int y) {
        channels[c].Row(from.row(y), to.row(y), count);
        if (mask) MixRow(from.row(y), to.row(y), mask->picture.planes[0].row(y), to.row(y), count);
      });
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("grade", GradeOp);

}  // namespace
}  // namespace selvage::worker
