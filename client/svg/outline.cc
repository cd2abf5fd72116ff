#include "client/svg/outline.h"

#include <cmath>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

std::string Hundredths(double v) {
  std::string text = absl::StrFormat("%.2f", v);
  while (text.back() == '0') text.pop_back();
  if (text.back() == '.') text.pop_back();
  return text == "-0" ? "0" : text;
}

bool Near(double a, double b) { return std::abs(a - b) < 0.005; }

}  // namespace

double NumberAt(const Number& number, int frame, double otherwise) {
  if (number.at_size() == 0) return number.has_value() ? number.value() : otherwise;
  const Between b = FindBetween(number.at(), number.ease(), frame);
  return MixPoint(number.at(b.before).value(), number.at(b.after).value(), b.u);
}

absl::StatusOr<SvgPath> OutlineAt(const Mask::Shape& shape, int frame, bool nearest) {
  if (shape.at_size() == 0) return ParseSvgPath(shape.path());
  Between b = FindBetween(shape.at(), shape.ease(), frame);
  if (nearest && b.u > 0) b.before = b.after = b.u < 0.5 ? b.before : b.after;
  ASSIGN_OR_RETURN(SvgPath path, ParseSvgPath(shape.at(b.before).path()));
  if (b.before == b.after || b.u == 0) return path;
  ASSIGN_OR_RETURN(const SvgPath to, ParseSvgPath(shape.at(b.after).path()));
  if (!CanMove(path, to)) return path;
  for (size_t s = 0; s < path.sub_paths.size(); ++s) {
    auto& xy = path.sub_paths[s].xy;
    for (size_t i = 0; i < xy.size(); ++i) xy[i] = MixPoint(xy[i], to.sub_paths[s].xy[i], b.u);
  }
  return path;
}

std::string PathData(const std::vector<std::vector<double>>& sub_paths) {
  std::string out;
  for (const std::vector<double>& xy : sub_paths) {
    absl::StrAppend(&out, out.empty() ? "" : " ", "M ", Hundredths(xy[0]), " ", Hundredths(xy[1]));
    for (size_t i = 2; i + 5 < xy.size(); i += 6) {
      const double* c = &xy[i];
      const double x0 = xy[i - 2], y0 = xy[i - 1];
      const bool line = Near(c[0], x0 + (c[4] - x0) / 3) && Near(c[1], y0 + (c[5] - y0) / 3) &&
                        Near(c[2], x0 + (c[4] - x0) * 2 / 3) && Near(c[3], y0 + (c[5] - y0) * 2 / 3);
      absl::StrAppend(&out, line ? " L" : " C");
      for (int k = line ? 4 : 0; k < 6; ++k) absl::StrAppend(&out, " ", Hundredths(c[k]));
    }
    out += " Z";
  }
  return out;
}

}  // namespace selvage::client
