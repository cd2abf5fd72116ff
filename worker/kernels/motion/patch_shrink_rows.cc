#include "worker/kernels/motion/patch_shrink_rows.h"

#include <algorithm>

namespace selvage::worker {
namespace {

int Mirror(int i, int size) {
  const int period = 2 * size;
  i = ((i % period) + period) % period;
  return i < size ? i : period - 1 - i;
}

}  // namespace

RollingRows::RollingRows(const Rect& window, int planes, int capacity)
    : window_(window), planes_(planes), stride_((window.width() + 2 * kMargin + 15) / 16 * 16) {
  const int kept = std::min(capacity, window.height());
  samples_ = std::make_unique<float[]>(static_cast<size_t>(stride_) * planes * kept);
  rows_.resize(window.height() + 2 * kMargin);
  for (size_t i = 0; i < rows_.size(); ++i) {
    const int y = Mirror(static_cast<int>(i) - kMargin, window.height());
    rows_[i] = samples_.get() + static_cast<ptrdiff_t>(y % kept) * planes * stride_ + kMargin;
  }
}

void RollingRows::Extend(int y) {
  const int width = window_.width();
  for (int p = 0; p < planes_; ++p) {
    float* row = Write(y) + p * stride_;
    if (width >= kMargin) {
      for (int k = 0; k < kMargin; ++k) {
        row[-1 - k] = row[k];
        row[width + k] = row[width - 1 - k];
      }
    } else {
      for (int k = 0; k < kMargin; ++k) {
        row[-1 - k] = row[Mirror(-1 - k, width)];
        row[width + k] = row[Mirror(width + k, width)];
      }
    }
  }
}

}  // namespace selvage::worker
