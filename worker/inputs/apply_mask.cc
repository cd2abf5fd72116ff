#include "worker/inputs/apply_mask.h"

#include "proto/options.pb.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {

void ApplyMask(const Picture& picture, const Plane& mask, MaskRow row, Picture* out) {
  const size_t n = out->rect().width();
  const size_t last = out->planes.size() - 1;
  for (size_t c = 0; c <= last; ++c) {
    const Plane& from = picture.planes[c];
    Plane& to = out->planes[c];
    if (c < last && out->kind != PREMULTIPLIED) {
      to = from;
    } else {
      ForRows(out->rect(), [&](int y) { row(from.row(y), mask.row(y), to.row(y), n); });
    }
  }
}

}  // namespace selvage::worker
