// What a plate shows, for a starting stack, and how the recording is, for intake.
// Contract: proto/ops/internal.proto.
//
// The screen's colour is found, a clean plate fitted and bare screen told from the
// rest as screen_plate and sure_screen do it; the rest is counting in cells.
//
// Of the recording all is measured row by row, in one order: bands of rows are hashed as
// they are, samples counted and summed. Blocks show where the luma of BT.709 code values
// steps from the last pixel of an 8x8 block (from the top left of the picture) to the first
// of the next: the mean of these steps over that of the steps between the second and third
// and the sixth and seventh pixels, which are as far apart from each other in a picture
// that was enlarged to twice its size, too. Steps count 1/16 at most, so that the edges of
// what is shown have little to say.
#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <optional>
#include <vector>

#include "absl/strings/str_cat.h"
#include "proto/digest.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/kernels/motion/noise_fit.h"
#include "worker/kernels/pixels/quick_curve.h"
#include "worker/kernels/pixels/dct.h"
#include "worker/kernels/unmix/plate_fit.h"
#include "worker/kernels/unmix/screen_hue.h"

namespace selvage::worker {
namespace {

constexpr int kCells = 32, kBlock = 8;
// Below this nothing can be keyed against (`unmix` asks for as much).
constexpr float kLeastSaturation = 0.02f;
// How far into the blocks of bare screen, ordered by roughness, the evenest reach.
constexpr double kEvenest = 0.25;
// Pixels of bare screen that tell about chroma, and the least variance of their differences
// (in code values, 8-bit rounding being 1e-6) that is noise.
constexpr int64_t kLeastPixels = 500, kEnoughPixels = 100'000;
constexpr double kLeastVariance = 1e-7;
// Where a mean is next to nothing.
constexpr double kRoughest = 1000;
constexpr int kBands = 64;
constexpr size_t kBandBytes = 8;
// Steps of code values: what counts of one, and the mean below which there is next to none.
constexpr float kLargestStep = 1.0f / 16;
constexpr double kLeastStep = 1e-5, kMostBlocks = 100;

float Saturation(const float* rgb) {
  const float most = std::max({rgb[0], rgb[1], rgb[2]}), least = std::min({rgb[0], rgb[1], rgb[2]});
  return most > 0 ? (most - least) / most : 0;
}

// Variance of 8x8 samples about their mean, and that mean.
struct BlockRoughness {
  double variance = 0, level = 0;
  double relative() const { return variance / (level * level); }
};

// Mean over R, G, B of one block; nothing where it is clipped, not finite or black.
class Roughness {
 public:
  explicit Roughness(const Picture& picture) : picture_(picture) {
    for (int c = 0; c < 3; ++c) {
      least_[c] = LeastValue(picture.planes[c]);
      most_[c] = GreatestValue(picture.planes[c]);
    }
  }
  std::optional<BlockRoughness> At(int x, int y) const {
    BlockRoughness block;
    for (int c = 0; c < 3; ++c) {
      const Plane& plane = picture_.planes[c];
      if (!IsUsable(plane, x, y, least_[c], most_[c])) return std::nullopt;
      float dct[kBlock * kBlock];
      Dct8x8(plane.row(y) + (x - plane.rect().x0), plane.stride(), dct);
      double sum = 0;
      for (int k = 1; k < kBlock * kBlock; ++k) sum += static_cast<double>(dct[k]) * dct[k];
      block.variance += sum / (3 * kBlock * kBlock);
      block.level += dct[0] / (3.0 * kBlock);
    }
    // Samples beyond any light overflow.
    if (!(block.level > 0) || !std::isfinite(block.level) || !std::isfinite(block.variance)) return std::nullopt;
    return block;
  }
  // Root mean square over the whole blocks of a rectangle, from its corner on;
  // negative where none can be measured.
  float Over(const Rect& rect) const {
    double sum = 0;
    int count = 0;
    for (int y = rect.y0; y + kBlock <= rect.y1; y += kBlock) {
      for (int x = rect.x0; x + kBlock <= rect.x1; x += kBlock) {
        const auto block = At(x, y);
        if (!block) continue;
        sum += block->relative();
        ++count;
      }
    }
    return count > 0 ? static_cast<float>(std::min(std::sqrt(sum / count), kRoughest)) : -1.0f;
  }

 private:
  const Picture& picture_;
  float least_[3], most_[3];
};

// The box as a rectangle. Errors: outside the picture, too small, grey.
absl::StatusOr<Rect> ReadBox(const SampleBox& box, const Rect& window) {
  const int64_t x1 = int64_t{box.x()} + box.width(), y1 = int64_t{box.y()} + box.height();
  if (box.width() < kBlock || box.height() < kBlock) {
    return absl::InvalidArgumentError(absl::StrCat("the box of bare screen is ", box.width(), " x ", box.height(),
                                                   " pixels; it needs at least 8 x 8"));
  }
  if (box.x() < window.x0 || box.y() < window.y0 || x1 > window.x1 || y1 > window.y1) {
    return absl::InvalidArgumentError(absl::StrCat("the box of bare screen (x ", box.x(), "..", x1, ", y ", box.y(),
                                                   "..", y1, ") is not inside the picture (x ", window.x0, "..",
                                                   window.x1, ", y ", window.y0, "..", window.y1, ")"));
  }
  return Rect{box.x(), box.y(), static_cast<int>(x1), static_cast<int>(y1)};
}

std::array<float, 3> MeanOver(const Rgb& color, const Rect& rect) {
  std::array<float, 3> mean;
  for (int c = 0; c < 3; ++c) {
    double sum = 0;
    for (int y = rect.y0; y < rect.y1; ++y) {
      const float* row = color[c].row(y) - color[c].rect().x0;
      for (int x = rect.x0; x < rect.x1; ++x) sum += row[x];
    }
    mean[c] = static_cast<float>(sum / static_cast<double>(rect.area()));
  }
  return mean;
}

// 64 bands at most, each as high as the others but the last.
std::string HashBands(const Picture& picture, const Rect& window) {
  static_assert(std::endian::native == std::endian::little, "samples are hashed as they lie in memory");
  const int height = (window.height() + kBands - 1) / kBands;
  const size_t row_bytes = static_cast<size_t>(window.width()) * sizeof(float);
  // An alpha of 1 tells nothing.
  const size_t planes = picture.kind == OPAQUE ? 3 : picture.planes.size();
  std::string bands;
  for (int y0 = window.y0; y0 < window.y1; y0 += height) {
    Sha256Stream hash;
    for (int y = y0; y < std::min(y0 + height, window.y1); ++y) {
      for (size_t c = 0; c < planes; ++c) {
        const float* row = picture.planes[c].row(y) + (window.x0 - picture.planes[c].rect().x0);
        hash.Update({reinterpret_cast<const char*>(row), row_bytes});
      }
    }
    bands += hash.Finish().view().substr(0, kBandBytes);
  }
  return bands;
}

// Sums of steps between neighbours, by where in the block of 8 the second one lies.
class Steps {
 public:
  // From one pixel to the one that is at `place` along its row or column.
  void Add(int place, const float* from, const float* to, size_t count) {
    double sum = 0;
    for (size_t i = 0; i < count; ++i) sum += std::min(std::abs(to[i] - from[i]), kLargestStep);
    sum_[place % kBlock] += sum;
    count_[place % kBlock] += static_cast<double>(count);
  }
  float Blocks() const {
    const double inside = 0.5 * (Mean(2) + Mean(6));
    if (count_[0] == 0 || count_[2] == 0 || count_[6] == 0 || inside < kLeastStep) return 0;
    return static_cast<float>(std::min(Mean(0) / inside, kMostBlocks));
  }

 private:
  double Mean(int place) const { return count_[place] > 0 ? sum_[place] / count_[place] : 0; }
  double sum_[kBlock] = {}, count_[kBlock] = {};
};

float BlocksOf(const Rgb& color) {
  const Rect& rect = color[0].rect();
  const auto width = static_cast<size_t>(rect.width());
  std::vector<float> code[3], luma(width), above(width);
  for (auto& row : code) row.resize(width);
  Steps steps;
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int c = 0; c < 3; ++c) QuickEncodeRow(ENCODING_BT709, color[c].row(y), code[c].data(), width);
    std::swap(luma, above);
    for (size_t x = 0; x < width; ++x) luma[x] = 0.2126f * code[0][x] + 0.7152f * code[1][x] + 0.0722f * code[2][x];
    for (size_t x = 1; x < width; ++x) steps.Add(static_cast<int>(x % kBlock), &luma[x - 1], &luma[x], 1);
    if (y > rect.y0) steps.Add(y - rect.y0, above.data(), luma.data(), width);
  }
  return steps.Blocks();
}

// Of all pixels, whatever they show. `not_finite`: samples that the file had so.
void MeasureRecording(const Picture& picture, const Rect& window, const Rgb& color, uint64_t not_finite,
                      PlateSurvey* out) {
  out->set_bands(HashBands(picture, window));
  const auto pixels = static_cast<double>(window.area());
  for (int c = 0; c < 3; ++c) {
    const Plane& plane = picture.planes[c];
    const float least = LeastValue(plane), greatest = GreatestValue(plane);
    uint64_t at_least = 0, at_greatest = 0, finite = 0;
    double sum = 0;
    for (int y = window.y0; y < window.y1; ++y) {
      const float* row = plane.row(y) + (window.x0 - plane.rect().x0);
      for (int x = 0; x < window.width(); ++x) {
        if (!std::isfinite(row[x])) continue;
        ++finite;
        sum += row[x];
        at_least += row[x] == least;
        at_greatest += row[x] == greatest;
      }
    }
    not_finite += window.area() - finite;
    out->add_at_greatest(static_cast<float>(static_cast<double>(at_greatest) / pixels));
    out->add_at_least(static_cast<float>(static_cast<double>(at_least) / pixels));
    out->add_channel_greatest(greatest);
    out->add_channel_least(least);
    out->add_channel_mean(finite > 0 ? static_cast<float>(sum / static_cast<double>(finite)) : 0.0f);
  }
  out->set_not_finite(not_finite);
  out->set_blocks(BlocksOf(color));
}

class Survey {
 public:
  Survey(const OpContext& context, const SurveyPlate& params, const Input& main)
      : context_(context),
        params_(params),
        picture_(main.picture),
        window_(main.window),
        not_finite_(main.numbers.empty() ? 0 : static_cast<uint64_t>(main.numbers[0])),
        roughness_(picture_),
        color_(FiniteRgb(picture_, window_, 1, -65504)) {}

  absl::StatusOr<PlateSurvey> Make() {
    out_.set_x(window_.x0);
    out_.set_y(window_.y0);
    out_.set_width(static_cast<uint32_t>(window_.width()));
    out_.set_height(static_cast<uint32_t>(window_.height()));
    float least = LeastValue(picture_.planes[0]), most = GreatestValue(picture_.planes[0]);
    for (int c = 1; c < 3; ++c) {
      least = std::min(least, LeastValue(picture_.planes[c]));
      most = std::max(most, GreatestValue(picture_.planes[c]));
    }
    out_.set_least(least);
    out_.set_greatest(most);
    MeasureRecording(picture_, window_, color_, not_finite_, &out_);
    if (params_.has_box()) {
      ASSIGN_OR_RETURN(box_, ReadBox(params_.box(), window_));
    }
    ASSIGN_OR_RETURN(const auto screen, ScreenColor());
    if (!screen) return std::move(out_);
    out_.set_screen_found(true);
    for (float v : *screen) out_.add_screen(v);
    out_.set_saturation(Saturation(screen->data()));
    RETURN_IF_ERROR(FindBare(*screen));
    CountCells();
    out_.set_chroma_smoothness(ChromaSmoothness());
    if (params_.has_box()) out_.set_box_texture(BoxTexture());
    return std::move(out_);
  }

 private:
  absl::StatusOr<std::optional<std::array<float, 3>>> ScreenColor() const {
    std::array<float, 3> given{};
    switch (params_.screen_case()) {
      case SurveyPlate::kBox:
        given = MeanOver(color_, *box_);
        break;
      case SurveyPlate::kColor:
        given = {static_cast<float>(params_.color().r()), static_cast<float>(params_.color().g()),
                 static_cast<float>(params_.color().b())};
        break;
      case SurveyPlate::SCREEN_NOT_SET: {
        auto found = FindScreenColor(color_, std::nullopt);
        if (found && Saturation(found->data()) < kLeastSaturation) found.reset();
        return found;
      }
    }
    if (!(Saturation(given.data()) >= kLeastSaturation)) {
      return absl::InvalidArgumentError(
          absl::StrCat(params_.has_box() ? "the box of bare screen has the colour (" : "the screen's colour (",
                       given[0], ", ", given[1], ", ", given[2], ")", params_.has_box() ? "," : "",
                       " with zero saturation: there is no hue to key against; give a box of the screen"));
    }
    // A box says what the screen is; of a colour from another frame the nearest here is meant.
    return params_.has_box() ? given : ScreenColorNear(color_, given);
  }

  absl::Status FindBare(const std::array<float, 3>& screen) {
    const float gain = NearHalf(std::max({screen[0], screen[1], screen[2]}));
    std::array<float, 3> scaled;
    for (int c = 0; c < 3; ++c) scaled[c] = screen[c] * gain;
    const int width = window_.width(), height = window_.height();
    const std::vector<PlateFrame> frames = {
        {FiniteRgb(picture_, window_, gain, -65504), Bitmap(width, height), Bitmap(width, height)}};
    // A polynomial of degree 2, as screen_plate has it unless told otherwise.
    const auto plate = FitPlate(frames, scaled, 2, context_.stopped);
    if (!plate) return absl::CancelledError("cancelled: no job needs this");
    const ScreenNoise noise = MeasureScreenNoise(frames[0].color, *plate, nullptr);
    sure_ = Crowded(FindBareScreen(frames[0].color, *plate, noise, kSureDistance).found, 7);
    out_.set_bare_share(static_cast<float>(static_cast<double>(sure_.Count()) / static_cast<double>(window_.area())));
    return absl::OkStatus();
  }

  float BareShare(const Rect& rect) const {
    int64_t count = 0;
    for (int y = rect.y0; y < rect.y1; ++y) {
      const uint8_t* row = sure_.row(y - window_.y0) + (rect.x0 - window_.x0);
      for (int x = 0; x < rect.width(); ++x) count += row[x];
    }
    return static_cast<float>(static_cast<double>(count) / static_cast<double>(rect.area()));
  }

  void CountCells() {
    const int longer = std::max(window_.width(), window_.height());
    const int side = kBlock * ((longer + kCells * kBlock - 1) / (kCells * kBlock));
    out_.set_cell_side(static_cast<uint32_t>(side));
    out_.set_columns(static_cast<uint32_t>((window_.width() + side - 1) / side));
    out_.set_rows(static_cast<uint32_t>((window_.height() + side - 1) / side));
    for (int y = window_.y0; y < window_.y1; y += side) {
      for (int x = window_.x0; x < window_.x1; x += side) {
        const Rect cell = Rect{x, y, x + side, y + side}.Intersect(window_);
        out_.add_bare(BareShare(cell));
        out_.add_roughness(roughness_.Over(cell));
        for (float v : MeanOver(color_, cell)) out_.add_mean(v);
      }
    }
  }

  // Gradients of the screen are no matter: they are as small as neighbours are near.
  float ChromaSmoothness() const {
    const int64_t step = std::max<int64_t>(1, static_cast<int64_t>(sure_.Count()) / kEnoughPixels);
    std::vector<float> code[3];
    for (auto& row : code) row.resize(window_.width());
    // Y', B'-Y', R'-Y': from neighbours and from next neighbours.
    double near[3] = {}, far[3] = {};
    int64_t count = 0;
    for (int y = window_.y0; y < window_.y1; y += static_cast<int>(step)) {
      for (int c = 0; c < 3; ++c) QuickEncodeRow(ENCODING_BT709, color_[c].row(y), code[c].data(), code[c].size());
      for (int x = 0; x < window_.width(); ++x) {
        const float luma = 0.2126f * code[0][x] + 0.7152f * code[1][x] + 0.0722f * code[2][x];
        code[0][x] -= luma, code[2][x] -= luma, code[1][x] = luma;
      }
      const uint8_t* bare = sure_.row(y - window_.y0);
      for (int x = 0; x + 2 < window_.width(); ++x) {
        if (!(bare[x] & bare[x + 1] & bare[x + 2])) continue;
        for (int c = 0; c < 3; ++c) {
          const double step1 = code[c][x + 1] - code[c][x], step2 = code[c][x + 2] - code[c][x];
          near[c] += step1 * step1, far[c] += step2 * step2;
        }
        ++count;
      }
    }
    const double least = kLeastVariance * static_cast<double>(count);
    if (count < kLeastPixels || !(far[0] > least && far[1] > least && far[2] > least)) return 0;
    return static_cast<float>(0.5 * (near[0] / far[0] + near[2] / far[2]) / (near[1] / far[1]));
  }

  // Against the evenest blocks of bare screen; of the box's own where there are none.
  float BoxTexture() const {
    const float box = roughness_.Over(*box_);
    std::vector<double> even;
    const auto collect = [&](const Rect& rect, bool bare_only) {
      for (int y = rect.y0; y + kBlock <= rect.y1; y += kBlock) {
        for (int x = rect.x0; x + kBlock <= rect.x1; x += kBlock) {
          if (bare_only && BareShare({x, y, x + kBlock, y + kBlock}) < 1) continue;
          if (const auto block = roughness_.At(x, y)) even.push_back(block->relative());
        }
      }
    };
    collect(window_, true);
    if (even.empty()) collect(*box_, false);
    if (box < 0 || even.empty()) return 1;
    const auto at = even.begin() + static_cast<ptrdiff_t>(kEvenest * static_cast<double>(even.size()));
    std::nth_element(even.begin(), at, even.end());
    return *at > 0 ? static_cast<float>(box / std::sqrt(*at)) : 1.0f;
  }

  const OpContext& context_;
  const SurveyPlate& params_;
  const Picture& picture_;
  const Rect window_;
  const uint64_t not_finite_;
  const Roughness roughness_;
  const Rgb color_;
  std::optional<Rect> box_;
  Bitmap sure_;
  PlateSurvey out_;
};

class SurveyPlateOp final : public TypedOp<SurveyPlate> {
  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const SurveyPlate& p,
                                       const Inputs& in) const override {
    if (in.main().window.empty())
      return absl::InvalidArgumentError("there is nothing to survey: the plate has no pixels");
    ASSIGN_OR_RETURN(PlateSurvey survey, Survey(context, p, in.main()).Make());
    // The key of the plate that this hangs on holds it, too.
    if (context.task != nullptr && context.task->input_size() > 0 && context.task->input(0).has_plate()) {
      survey.set_encoding(context.task->input(0).plate().encoding());
    }
    return survey.SerializeAsString();
  }
};
REGISTER_OP("survey_plate", SurveyPlateOp);

}  // namespace
}  // namespace selvage::worker
