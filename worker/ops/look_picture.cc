// A picture for eyes: 8-bit sRGB PNG of a result's whole window.
//
// Everything is laid together in linear light, exposed, scaled down by the mean
// of the area that a pixel covers, then encoded. A matte looked at as a matte is
// no light: A = 0.5 is code 128.
#include <algorithm>
#include <cmath>
#include <vector>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/files/picture_file.h"
#include "worker/kernels/pixels/math.h"
#include "worker/kernels/pixels/transfer.h"

namespace selvage::worker {
namespace {

// Squares of the checker in pixels of the result, anchored at the format's
// origin, and their two greys in linear light (sRGB codes 63 and 103).
constexpr int kCheckerSide = 32;
constexpr float kCheckerDark = 0.05f, kCheckerLight = 0.135f;

// Whatever lies further out shows as black or white anyway.
float Shown(float v) { return v != v ? 0.0f : std::clamp(v, -65504.0f, 65504.0f); }

// Sample of a plane, 0 where it has none.
float SampleAt(const Plane& p, int x, int y) {
  const Rect& r = p.rect();
  return x >= r.x0 && x < r.x1 && y >= r.y0 && y < r.y1 ? Shown(p.at(x, y)) : 0.0f;
}

float CheckerAt(int x, int y) {
  // Arithmetic shifts: squares left of and above the origin go on as they should.
  static_assert(kCheckerSide == 1 << 5);
  return (((x >> 5) + (y >> 5)) & 1) == 0 ? kCheckerDark : kCheckerLight;
}

// Gives the finished picture row by row, before scaling and encoding.
class Composer {
 public:
  static absl::StatusOr<Composer> Make(const LookPicture& p, const Inputs& in) {
    Composer c(p, in);
    const bool needs_behind =
        p.as() == LookPicture::AS_PLATE || p.as() == LookPicture::AS_WIPE || p.as() == LookPicture::AS_BACKGROUND;
    if (needs_behind && !c.behind_) {
      return absl::InvalidArgumentError("a look over a background needs the name of that background: set `behind`");
    }
    if (c.matte_ && !c.plain() && !c.color_) {
      return absl::InvalidArgumentError("the result is a matte: set `color` to the picture that it cuts out");
    }
    return c;
  }

  // Without colour: three equal channels that are no light.
  bool grey() const { return as_ == LookPicture::AS_MATTE || (as_ == LookPicture::AS_COLOR && matte_ && !color_); }

  void Row(int y, std::vector<float> rgb[3]) const {
    const Rect& window = main_.window;
    const Plane& alpha = main_.picture.planes.back();
    for (int x = window.x0; x < window.x1; ++x) {
      const size_t i = static_cast<size_t>(x - window.x0);
      const float a = SampleAt(alpha, x, y);
      if (grey()) {
        for (int c = 0; c < 3; ++c) rgb[c][i] = a * exposure_;
        continue;
      }
      const bool behind_alone = as_ == LookPicture::AS_WIPE && static_cast<double>(i) + 0.5 >= wipe_at_;
      for (int c = 0; c < 3; ++c) rgb[c][i] = Shown(ColorAt(c, x, y, a, behind_alone) * exposure_);
    }
  }

 private:
  Composer(const LookPicture& p, const Inputs& in)
      : main_(in.main()),
        behind_(in.Find("behind")),
        color_(in.Find("color")),
        as_(p.as()),
        matte_(in.main().kind == MATTE),
        exposure_(static_cast<float>(Exp2(p.stops().value()))),
        wipe_at_(p.wipe().value() * in.main().window.width()) {}

  // Looks that show the result itself.
  bool plain() const { return as_ == LookPicture::AS_MATTE || as_ == LookPicture::AS_COLOR; }

  float ColorAt(int c, int x, int y, float a, bool behind_alone) const {
    const float back = Behind(c, x, y);
    if (behind_alone) return back;
    const float color = SampleAt(matte_ ? color_->picture.planes[c] : main_.picture.planes[c], x, y);
    if (as_ == LookPicture::AS_COLOR) return color;
    const bool multiply = matte_ || main_.kind == STRAIGHT;
    return (multiply ? color * a : color) + (1.0f - a) * back;
  }

  float Behind(int c, int x, int y) const {
    switch (as_) {
      case LookPicture::AS_CHECKER:
        return CheckerAt(x, y);
      case LookPicture::AS_PLATE:
      case LookPicture::AS_BACKGROUND:
      case LookPicture::AS_WIPE:
        return SampleAt(behind_->picture.planes[c], x, y);
      default:
        return 0.0f;
    }
  }

  const Input& main_;
  const Input* behind_;
  const Input* color_;
  LookPicture::As as_;
  bool matte_;
  float exposure_;
  double wipe_at_;
};

// Means of a row's samples over `out` equal stretches, in binary64.
void ShrinkRow(const std::vector<float>& row, int out, double* means) {
  const double length = static_cast<double>(row.size()) / out;
  for (int i = 0; i < out; ++i) {
    const double from = i * length, to = (i + 1) * length;
    double sum = 0;
    const auto last = std::min(static_cast<int64_t>(std::ceil(to)), static_cast<int64_t>(row.size()));
    for (auto k = static_cast<int64_t>(from); k < last; ++k) {
      const double share = std::min(to, static_cast<double>(k + 1)) - std::max(from, static_cast<double>(k));
      if (share > 0) sum += share * row[static_cast<size_t>(k)];
    }
    means[i] = sum / length;
  }
}

struct Size {
  int width, height;
};
Size ShrunkSize(const Rect& window, uint32_t longest_side) {
  const int longest = std::max(window.width(), window.height());
  if (longest_side == 0 || static_cast<int>(std::min<uint32_t>(longest_side, 1u << 30)) >= longest) {
    return {window.width(), window.height()};
  }
  const double scale = static_cast<double>(longest_side) / longest;
  const auto side = [&](int full) { return std::max(1, static_cast<int>(full * scale + 0.5)); };
  return {side(window.width()), side(window.height())};
}

// Encodes one finished row into the codes.
void EmitRow(const std::vector<double>& row, bool encode, int y, int channel, Codes* codes) {
  std::vector<float> v(row.begin(), row.end());
  if (encode) EncodeRow(ENCODING_SRGB, v.data(), v.data(), v.size());
  QuantiseRow(v.data(), 255, codes->samples.data() + static_cast<ptrdiff_t>(y) * codes->width * 3 + channel, 3,
              v.size());
}

absl::StatusOr<Codes> Compose(const OpContext& context, const Composer& composer, const Rect& window, Size size) {
  Codes codes{size.width, size.height, 3, {}};
  codes.samples.resize(static_cast<size_t>(size.width) * size.height * 3);
  std::vector<float> rgb[3];
  for (auto& row : rgb) row.resize(static_cast<size_t>(window.width()));
  const double length = static_cast<double>(window.height()) / size.height;
  std::vector<double> shrunk(static_cast<size_t>(size.width));
  int have = -1;  // the source row that is in rgb
  for (int y = 0; y < size.height; ++y) {
    if (context.stopped()) return absl::CancelledError("cancelled: no job needs this");
    std::vector<double> sum[3];
    for (auto& row : sum) row.assign(static_cast<size_t>(size.width), 0.0);
    const double from = y * length, to = (y + 1) * length;
    const int last = std::min(static_cast<int>(std::ceil(to)), window.height());
    for (int k = static_cast<int>(from); k < last; ++k) {
      const double share = std::min(to, k + 1.0) - std::max(from, static_cast<double>(k));
      if (share <= 0) continue;
      if (have != k) composer.Row(window.y0 + k, rgb);
      have = k;
      for (int c = 0; c < 3; ++c) {
        ShrinkRow(rgb[c], size.width, shrunk.data());
        for (size_t x = 0; x < shrunk.size(); ++x) sum[c][x] += share / length * shrunk[x];
      }
    }
    for (int c = 0; c < 3; ++c) EmitRow(sum[c], !composer.grey(), y, c, &codes);
  }
  return codes;
}

class LookPictureOp final : public TypedOp<LookPicture> {
  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const LookPicture& p,
                                       const Inputs& in) const override {
    const Rect window = in.main().window;
    if (window.empty()) return absl::InvalidArgumentError("there is nothing to look at: the result has no pixels");
    ASSIGN_OR_RETURN(const Composer composer, Composer::Make(p, in));
    const Size size = ShrunkSize(window, p.longest_side());
    ASSIGN_OR_RETURN(const Codes codes, Compose(context, composer, window, size));
    return WriteIntegerFile("png", codes, 8, "sRGB", {});
  }
};
REGISTER_OP("look_picture", LookPictureOp);

}  // namespace
}  // namespace selvage::worker
