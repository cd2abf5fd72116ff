// A picture for eyes: 8-bit sRGB PNG of a result's window, or of a part of it.
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

// sRGB codes of an outline: our amber.
constexpr uint8_t kOutline[3] = {255, 176, 46};
// A zoomed picture is no larger.
constexpr int64_t kLargestSide = 16384, kMostPixels = 1 << 26;

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
  static absl::StatusOr<Composer> Make(const LookPicture& p, const Inputs& in, const Rect& window) {
    Composer c(p, in, window);
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
    const Rect& window = window_;
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
  Composer(const LookPicture& p, const Inputs& in, const Rect& window)
      : main_(in.main()),
        window_(window),
        behind_(in.Find("behind")),
        color_(in.Find("color")),
        as_(p.as()),
        matte_(in.main().kind == MATTE),
        exposure_(static_cast<float>(Exp2(p.stops().value()))),
        wipe_at_(p.wipe().value() * window.width()) {}

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
  Rect window_;
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

// Rows of `channels` planes over a window, shrunk to `size` from the top to the bottom.
// `fill` gives the row of the window, `emit` takes one of the result.
template <class Fill, class Emit>
absl::Status Shrink(const OpContext& context, const Rect& window, Size size, int channels, const Fill& fill,
                    const Emit& emit) {
  std::vector<std::vector<float>> rows(static_cast<size_t>(channels));
  for (auto& row : rows) row.resize(static_cast<size_t>(window.width()));
  const double length = static_cast<double>(window.height()) / size.height;
  std::vector<double> shrunk(static_cast<size_t>(size.width));
  int have = -1;  // the source row that is in `rows`
  for (int y = 0; y < size.height; ++y) {
    if (context.stopped()) return absl::CancelledError("cancelled: no job needs this");
    std::vector<std::vector<double>> sum(rows.size(), std::vector<double>(shrunk.size(), 0.0));
    const double from = y * length, to = (y + 1) * length;
    const int last = std::min(static_cast<int>(std::ceil(to)), window.height());
    for (int k = static_cast<int>(from); k < last; ++k) {
      const double share = std::min(to, k + 1.0) - std::max(from, static_cast<double>(k));
      if (share <= 0) continue;
      if (have != k) fill(window.y0 + k, rows.data());
      have = k;
      for (size_t c = 0; c < rows.size(); ++c) {
        ShrinkRow(rows[c], size.width, shrunk.data());
        for (size_t x = 0; x < shrunk.size(); ++x) sum[c][x] += share / length * shrunk[x];
      }
    }
    emit(y, sum);
  }
  return absl::OkStatus();
}

absl::StatusOr<Codes> Compose(const OpContext& context, const Composer& composer, const Rect& window, Size size) {
  Codes codes{size.width, size.height, 3, {}};
  codes.samples.resize(static_cast<size_t>(size.width) * size.height * 3);
  RETURN_IF_ERROR(Shrink(
      context, window, size, 3, [&](int y, std::vector<float>* rgb) { composer.Row(y, rgb); },
      [&](int y, const std::vector<std::vector<double>>& sum) {
        for (int c = 0; c < 3; ++c) EmitRow(sum[static_cast<size_t>(c)], !composer.grey(), y, c, &codes);
      }));
  return codes;
}

// Each pixel as a square.
Codes Zoomed(const Codes& codes, int zoom) {
  Codes out{codes.width * zoom, codes.height * zoom, codes.channels, {}};
  out.samples.reserve(codes.samples.size() * static_cast<size_t>(zoom) * zoom);
  const size_t row = static_cast<size_t>(codes.width) * codes.channels;
  for (int y = 0; y < out.height; ++y) {
    const auto from = codes.samples.begin() + static_cast<ptrdiff_t>(row * static_cast<size_t>(y / zoom));
    for (int x = 0; x < out.width; ++x) {
      const auto pixel = from + static_cast<ptrdiff_t>(x / zoom) * codes.channels;
      out.samples.insert(out.samples.end(), pixel, pixel + codes.channels);
    }
  }
  return out;
}

// A bright line just inside of where the matte passes one half, and a dark one just
// outside: seen on any picture.
absl::Status DrawOutline(const OpContext& context, const Plane& matte, const Rect& window, Size size, int zoom,
                         Codes* codes) {
  std::vector<uint8_t> inside(static_cast<size_t>(size.width) * size.height);
  const auto fill = [&](int y, std::vector<float>* row) {
    for (int x = window.x0; x < window.x1; ++x) (*row)[static_cast<size_t>(x - window.x0)] = SampleAt(matte, x, y);
  };
  RETURN_IF_ERROR(Shrink(context, window, size, 1, fill, [&](int y, const std::vector<std::vector<double>>& mean) {
    for (int x = 0; x < size.width; ++x) {
      inside[static_cast<size_t>(y) * size.width + x] = mean[0][static_cast<size_t>(x)] >= 0.5;
    }
  }));
  const auto at = [&](int x, int y) { return inside[static_cast<size_t>(y / zoom) * size.width + x / zoom] != 0; };
  for (int y = 0; y < codes->height; ++y) {
    for (int x = 0; x < codes->width; ++x) {
      const bool in = at(x, y);
      const bool edge = (x > 0 && at(x - 1, y) != in) || (x + 1 < codes->width && at(x + 1, y) != in) ||
                        (y > 0 && at(x, y - 1) != in) || (y + 1 < codes->height && at(x, y + 1) != in);
      if (!edge) continue;
      for (int c = 0; c < 3; ++c) {
        codes->samples[(static_cast<size_t>(y) * codes->width + x) * 3 + c] = in ? kOutline[c] : 0;
      }
    }
  }
  return absl::OkStatus();
}

// What is shown of the result.
absl::StatusOr<Rect> ShownPart(const LookPicture& p, const Rect& window) {
  if (window.empty()) return absl::InvalidArgumentError("there is nothing to look at: the result has no pixels");
  if (!p.has_crop() || p.crop().width() == 0 || p.crop().height() == 0) return window;
  const LookBox& c = p.crop();
  // What leaves int is outside any picture anyway.
  const auto limited = [](int64_t v) { return static_cast<int>(std::clamp<int64_t>(v, -(1 << 30), 1 << 30)); };
  const Rect part =
      Rect{limited(c.x()), limited(c.y()), limited(int64_t{c.x()} + c.width()), limited(int64_t{c.y()} + c.height())}
          .Intersect(window);
  if (!part.empty()) return part;
  return absl::InvalidArgumentError(absl::StrCat("the part to look at (x ", c.x(), ", y ", c.y(), ", ", c.width(), "x",
                                                 c.height(), ") lies outside the picture (x ", window.x0, "..",
                                                 window.x1, ", y ", window.y0, "..", window.y1, ")"));
}

class LookPictureOp final : public TypedOp<LookPicture> {
  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const LookPicture& p,
                                       const Inputs& in) const override {
    ASSIGN_OR_RETURN(const Rect window, ShownPart(p, in.main().window));
    ASSIGN_OR_RETURN(const Composer composer, Composer::Make(p, in, window));
    const Size size = ShrunkSize(window, p.longest_side());
    const int zoom = static_cast<int>(std::max(1u, p.zoom()));
    const int64_t width = int64_t{size.width} * zoom, height = int64_t{size.height} * zoom;
    if (zoom > 1 && (std::max(width, height) > kLargestSide || width * height > kMostPixels)) {
      return absl::InvalidArgumentError(absl::StrCat("the zoomed picture would have ", width, "x", height,
                                                     " pixels, allowed are ", kLargestSide, " a side and ", kMostPixels,
                                                     " in all: crop more or zoom less"));
    }
    ASSIGN_OR_RETURN(Codes codes, Compose(context, composer, window, size));
    if (zoom > 1) codes = Zoomed(codes, zoom);
    if (const Input* outline = in.Find("outline"); outline != nullptr) {
      RETURN_IF_ERROR(DrawOutline(context, outline->picture.planes.back(), window, size, zoom, &codes));
    }
    // Where it lies, for those who lay something over it: outside of the format, or only in a part of it.
    HeaderTexts texts;
    if (window != context.format) {
      texts.push_back(
          {"selvage.window", absl::StrCat(window.x0, " ", window.y0, " ", window.width(), " ", window.height())});
    }
    return WriteIntegerFile("png", codes, 8, "sRGB", texts);
  }
};
REGISTER_OP("look_picture", LookPictureOp);

}  // namespace
}  // namespace selvage::worker
