// Grain put back where the foreground is.
#include "worker/chain/op.h"

namespace selvage::worker {
namespace {

void AddRow(const float* in, const float* grain, const float* mask, float amount, int n, float* __restrict to) {
  if (mask) {
    for (int x = 0; x < n; ++x) to[x] = in[x] + amount * mask[x] * grain[x];
  } else {
    for (int x = 0; x < n; ++x) to[x] = in[x] + amount * grain[x];
  }
}

class RegrainOp final : public TypedOp<Regrain> {
  // Where there is no grain, none is made up.
  Beyond Edge(const google::protobuf::Message&, const std::string& port) const override {
    return port == "grain" ? Beyond::kTransparent : Beyond::kRepeat;
  }

  absl::Status Make(const OpContext&, const Regrain& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    const Picture& grain = in.Find("grain")->picture;
    const float amount = static_cast<float>(p.amount().value());
    if (amount == 0) {
      out->planes = picture.planes;
      return absl::OkStatus();
    }
    const Input* given = in.Find("mask");
    const Plane* mask = given ? &given->picture.planes[0] : out->kind == PREMULTIPLIED ? &picture.planes[3] : nullptr;
    const Rect rect = out->rect();
    for (int c = 0; c < 3; ++c) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        AddRow(picture.planes[c].row(y), grain.planes[c].row(y), mask ? mask->row(y) : nullptr, amount, rect.width(),
               out->planes[c].row(y));
      }
    }
    out->planes[3] = picture.planes[3];
    return absl::OkStatus();
  }
};
REGISTER_OP("regrain", RegrainOp);

}  // namespace
}  // namespace selvage::worker
