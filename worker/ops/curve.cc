// Tone curve through points. Source: F. N. Fritsch and R. E. Carlson, Monotone
// Piecewise Cubic Interpolation, SIAM J. Numer. Anal. 17 (1980).
#include <cmath>
#include <vector>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/kernels/pixels/color_rows.h"

namespace selvage::worker {
namespace {

// Each segment is tried on each sample.
constexpr int kMaxPoints = 256;

absl::Status CheckPoints(const Curve& p) {
  if (p.point_size() < 2) return absl::InvalidArgumentError("point: a curve needs at least two points");
  if (p.point_size() > kMaxPoints) {
    return absl::InvalidArgumentError(absl::StrCat("point: ", p.point_size(), " points, allowed are ", kMaxPoints));
  }
  for (int i = 0; i < p.point_size(); ++i) {
    if (!std::isfinite(p.point(i).x()) || !std::isfinite(p.point(i).y())) {
      return absl::InvalidArgumentError(absl::StrCat("point[", i, "]: not a finite number"));
    }
    if (i > 0 && p.point(i).x() <= p.point(i - 1).x()) {
      return absl::InvalidArgumentError(absl::StrCat("point[", i, "]: x is ", p.point(i).x(), ", not above ",
                                                     p.point(i - 1).x(), ", the x of the point before"));
    }
  }
  return absl::OkStatus();
}

// Slopes at the points, limited so that no segment overshoots.
std::vector<double> Slopes(const std::vector<double>& secants) {
  const size_t n = secants.size() + 1;
  std::vector<double> m(n);
  m[0] = secants[0];
  m[n - 1] = secants[n - 2];
  for (size_t k = 1; k + 1 < n; ++k) {
    const bool turns = secants[k - 1] * secants[k] <= 0;
    m[k] = turns ? 0 : (secants[k - 1] + secants[k]) / 2;
  }
  for (size_t k = 0; k + 1 < n; ++k) {
    const double d = secants[k];
    if (d == 0) {
      m[k] = m[k + 1] = 0;
      continue;
    }
    const double a = m[k] / d, b = m[k + 1] / d, square = a * a + b * b;
    if (square > 9) {
      m[k] = 3 / std::sqrt(square) * a * d;
      m[k + 1] = 3 / std::sqrt(square) * b * d;
    }
  }
  return m;
}

std::vector<CurveSegment> SegmentsOf(const Curve& p) {
  std::vector<double> secants;
  for (int k = 0; k + 1 < p.point_size(); ++k) {
    secants.push_back((p.point(k + 1).y() - p.point(k).y()) / (p.point(k + 1).x() - p.point(k).x()));
  }
  const std::vector<double> m = Slopes(secants);
  std::vector<CurveSegment> segments;
  for (int k = 0; k < p.point_size(); ++k) {
    CurveSegment s{p.point(k).x(), p.point(k).y(), m[k], 0, 0};
    if (k + 1 < p.point_size()) {
      const double h = p.point(k + 1).x() - p.point(k).x(), d = secants[k];
      s.c2 = (3 * d - 2 * m[k] - m[k + 1]) / h;
      s.c3 = (m[k] + m[k + 1] - 2 * d) / (h * h);
    }
    segments.push_back(s);
  }
  return segments;
}

class CurveOp final : public TypedOp<Curve> {
  absl::Status Make(const OpContext&, const Curve& p, const Inputs& in, Picture* out) const override {
    RETURN_IF_ERROR(CheckPoints(p));
    const std::vector<CurveSegment> segments = SegmentsOf(p);
    const Picture& picture = in.main().picture;
    const Rect rect = out->rect();
    for (size_t c = 0; c < out->planes.size(); ++c) {
      if (!Applies(p, picture.kind, static_cast<int>(c))) {
        out->planes[c] = picture.planes[c];
        continue;
      }
      for (int y = rect.y0; y < rect.y1; ++y) {
        CurveRow(segments, picture.planes[c].row(y), out->planes[c].row(y), static_cast<size_t>(rect.width()));
      }
    }
    return absl::OkStatus();
  }

  static bool Applies(const Curve& p, Kind kind, int channel) {
    if (kind == MATTE) return true;
    if (channel == 3) return false;
    return p.channels() == Curve::ALL || static_cast<int>(p.channels()) == channel + 1;
  }
};
REGISTER_OP("curve", CurveOp);

}  // namespace
}  // namespace selvage::worker
