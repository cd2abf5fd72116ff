#include "worker/kernels/motion/plate_rows.h"

#include <algorithm>

namespace selvage::worker {
namespace {

bool AllFilterable(const float* row, int count) {
  int finite = 0;
  for (int x = 0; x < count; ++x) finite += IsFilterable(row[x]);
  return finite == count;
}

void MakeFilterable(std::vector<float>* row) {
  const auto first = std::find_if(row->begin(), row->end(), IsFilterable);
  float last = first == row->end() ? 0 : *first;
  for (float& v : *row) {
    if (IsFilterable(v)) {
      last = v;
    } else {
      v = last;
    }
  }
}

}  // namespace

PlateRows::PlateRows(const Picture& picture, const Rect& window) : picture_(picture), window_(window) {
  for (auto& row : rows_) row.resize(window.width());
}

void PlateRows::Read(int y, const float* rgb[3]) {
  const Rect& own = picture_.rect();
  const int from_y = std::clamp(y, own.y0, own.y1 - 1);
  const bool inside = own.x0 <= window_.x0 && window_.x1 <= own.x1;
  for (int c = 0; c < 3; ++c) {
    const float* source = picture_.planes[c].row(from_y);
    const float* first = source + (window_.x0 - own.x0);
    if (inside && AllFilterable(first, window_.width())) {
      rgb[c] = first;
      continue;
    }
    std::vector<float>& row = rows_[c];
    for (int x = window_.x0; x < window_.x1; ++x) {
      row[x - window_.x0] = source[std::clamp(x, own.x0, own.x1 - 1) - own.x0];
    }
    MakeFilterable(&row);
    rgb[c] = row.data();
  }
}

LumaPyramid LumaOf(const Picture& picture, const Rect& window, const NoiseCurves& curves) {
  const float scale = std::min(16.0f, 8191 / EvenNoiseWhite(curves));
  PlateRows colors(picture, window);
  return LumaPyramid(window, [&](int y, int16_t* row) {
    const float* rgb[3];
    colors.Read(y, rgb);
    EvenNoiseLumaRow(curves, rgb, window.width(), scale, row);
  });
}

}  // namespace selvage::worker
