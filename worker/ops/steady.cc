// Calms the chatter of mattes; the recipe is in worker/kernels/README.md.
#include <algorithm>
#include <cmath>
#include <cstring>
#include <vector>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/motion_input.h"
#include "worker/kernels/motion/matte_edge.h"
#include "worker/kernels/motion/motion.h"
#include "worker/kernels/motion/patch_shrink.h"
#include "worker/kernels/motion/plate_rows.h"

namespace selvage::worker {
namespace {

// Pixels that tell the noise: those that lie on no clamp.
constexpr float kNoiseBottom = 0.02f, kNoiseTop = 0.98f;
constexpr float kLeastNoise = 0.004f;
// Milder than a picture's: what is soft here is often hair.
constexpr Shrinkage kShrinkage = {.threshold = 1.5f, .wiener = 0.3f, .copy = 0};
// Pass 2 is shifted by half a stride, as in degrain.
constexpr int kFirstOrigin = 0, kSecondOrigin = 2;

// Where the matte is soft, and which patches are needed for it.
class Band {
 public:
  explicit Band(const Plane& matte) : rect_(matte.rect()), pixels_(rect_.area()) {
    const size_t width = rect_.width();
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      uint8_t* band = &pixels_[static_cast<size_t>(y - rect_.y0) * width];
      EdgeRow(matte, y, band);
      // Values that an earlier step left unclamped are not clamped here.
      const float* v = matte.row(y);
      for (size_t x = 0; x < width; ++x) band[x] = band[x] && v[x] >= 0 && v[x] <= 1;
    }
    CountBlocks();
  }

  bool empty() const { return blocks_.back() == 0; }
  const uint8_t* row(int y) const { return &pixels_[static_cast<size_t>(y - rect_.y0) * rect_.width()]; }

  // For each patch in the row at y: whether pixels of the band lie within `margin`
  // of it, both rounded outward to multiples of 4.
  std::vector<uint8_t> Near(const ShrinkPass& pass, int y, int margin) const {
    std::vector<uint8_t> near(pass.columns());
    for (size_t k = 0; k < near.size(); ++k) {
      const int x = pass.first_column() + static_cast<int>(k) * kPatchStride;
      near[k] = CountIn((x - margin) >> 2, (y - margin) >> 2, ((x + kPatch + margin - 1) >> 2) + 1,
                        ((y + kPatch + margin - 1) >> 2) + 1) > 0;
    }
    return near;
  }

 private:
  // Band pixels of all 4x4 blocks left of and above each corner.
  void CountBlocks() {
    grid_ = {rect_.x0 >> 2, rect_.y0 >> 2, ((rect_.x1 - 1) >> 2) + 1, ((rect_.y1 - 1) >> 2) + 1};
    const size_t stride = grid_.width() + 1;
    blocks_.assign(stride * (grid_.height() + 1), 0);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const uint8_t* in = row(y);
      uint32_t* to = &blocks_[((y >> 2) - grid_.y0 + 1) * stride + 1];
      for (int x = rect_.x0; x < rect_.x1; ++x) to[(x >> 2) - grid_.x0] += in[x - rect_.x0];
    }
    for (size_t j = 1; j <= static_cast<size_t>(grid_.height()); ++j) {
      uint32_t sum = 0;
      for (size_t i = 1; i < stride; ++i) {
        sum += blocks_[j * stride + i];
        blocks_[j * stride + i] = blocks_[(j - 1) * stride + i] + sum;
      }
    }
  }
  uint32_t CountIn(int i0, int j0, int i1, int j1) const {
    const auto corner = [this](int i, int j) {
      i = std::clamp(i, grid_.x0, grid_.x1) - grid_.x0;
      j = std::clamp(j, grid_.y0, grid_.y1) - grid_.y0;
      return blocks_[static_cast<size_t>(j) * (grid_.width() + 1) + i];
    };
    return corner(i1, j1) - corner(i0, j1) - corner(i1, j0) + corner(i0, j0);
  }

  Rect rect_, grid_;
  std::vector<uint8_t> pixels_;
  std::vector<uint32_t> blocks_;
};

// A neighbouring matte and where its pixels are.
struct Neighbour {
  const Plane* matte;
  VectorField vectors;
};

// Standard deviation of one matte's noise, from the median difference along the
// motion (1.4826 = sigma over median of |normal|). Counted, so that no order of
// summing matters.
float NoiseOf(const Plane& matte, const std::vector<Neighbour>& neighbours) {
  constexpr int kBins = 4096;
  std::vector<uint32_t> counts(kBins, 0);
  uint32_t all = 0;
  const Rect& r = matte.rect();
  for (int y = r.y0; y < r.y1; ++y) {
    const float* row = matte.row(y);
    for (int x = r.x0; x < r.x1; ++x) {
      const float v = row[x - r.x0];
      if (!(v > kNoiseBottom && v < kNoiseTop)) continue;
      for (const Neighbour& n : neighbours) {
        const float off = std::abs(v - SampleAlong(*n.matte, x, y, n.vectors.At(x >> 3, y >> 3)));
        ++counts[std::min(static_cast<int>(off * kBins), kBins - 1)];
        ++all;
      }
    }
  }
  if (all == 0) return kLeastNoise;
  int median = 0;
  for (uint32_t below = counts[0]; 2 * below < all; below += counts[++median]) {
  }
  const float off = (static_cast<float>(median) + 0.5f) / kBins;
  return std::max(kLeastNoise, 1.4826f * 0.70710678f * off);
}

// The matte in units of its noise.
RollingRows RowsOf(const Plane& matte, const Rect& window, float noise) {
  RollingRows rows(window, 1, window.height());
  const Rect& own = matte.rect();
  const float scale = 1 / noise;
  for (int y = window.y0; y < window.y1; ++y) {
    const float* in = matte.row(std::clamp(y, own.y0, own.y1 - 1));
    float* out = rows.Write(y);
    for (int x = window.x0; x < window.x1; ++x) {
      out[x - window.x0] = scale * ClampedMatte(in[std::clamp(x, own.x0, own.x1 - 1) - own.x0]);
    }
    rows.Extend(y);
  }
  return rows;
}

class SteadyOp final : public TypedOp<Steady> {
 public:
  absl::Status Make(const OpContext& context, const Steady& params, const Inputs& in, Picture* out) const override {
    const Plane& matte = in.main().picture.planes[0];
    const Rect& window = matte.rect();
    Plane& result = out->planes[0];
    for (int y = window.y0; y < window.y1; ++y)
      std::memcpy(result.row(y), matte.row(y), sizeof(float) * window.width());
    result.constant = matte.constant;
    const float amount = static_cast<float>(params.amount().value());
    if (window.empty() || amount == 0) return absl::OkStatus();
    const Band band(matte);
    if (band.empty()) return absl::OkStatus();
    std::vector<Neighbour> neighbours;
    RETURN_IF_ERROR(Align(in, &neighbours));
    if (neighbours.empty()) return absl::OkStatus();

    const float noise = params.has_noise() ? static_cast<float>(params.noise()) : NoiseOf(matte, neighbours);
    const RollingRows centre = RowsOf(matte, window, noise);
    std::vector<RollingRows> rows;
    for (const Neighbour& n : neighbours) rows.push_back(RowsOf(*n.matte, window, noise));
    std::vector<PatchNeighbour> patches;
    for (size_t i = 0; i < rows.size(); ++i) patches.push_back({&rows[i], &neighbours[i].vectors});

    const NoiseSpectrum white(64, 1.0f);
    RollingRows pilot(window, 1, window.height());
    ShrinkPass first(&centre, patches, nullptr, white, kShrinkage, kFirstOrigin);
    ShrinkPass second(&centre, patches, &pilot, white, kShrinkage, kSecondOrigin);
    // A patch of the second pass counts from 2 pixels of the band on (blocks are
    // counted in fours) and so reads the pilot up to 9 from it.
    for (int y = first.first_row(); y <= first.last_row(); y += kPatchStride) {
      if (context.stopped()) return absl::CancelledError("cancelled: no job needs this");
      first.Run(y, band.Near(first, y, 12).data());
      for (int row = std::max(y, window.y0); row < std::min(y + kPatchStride, window.y1); ++row) {
        first.Take(row, 0, pilot.Write(row));
        pilot.Extend(row);
      }
    }
    std::vector<float> line(window.width());
    for (int y = second.first_row(); y <= second.last_row(); y += kPatchStride) {
      if (context.stopped()) return absl::CancelledError("cancelled: no job needs this");
      second.Run(y, band.Near(second, y, 0).data());
      for (int row = std::max(y, window.y0); row < std::min(y + kPatchStride, window.y1); ++row) {
        second.Take(row, 0, line.data());
        const uint8_t* change = band.row(row);
        float* to = result.row(row);
        for (int x = 0; x < window.width(); ++x) {
          if (change[x]) to[x] += amount * (ClampedMatte(noise * line[x]) - to[x]);
        }
      }
    }
    result.constant.reset();
    return absl::OkStatus();
  }

 private:
  // Motion of the plate to each other frame that has both matte and plate.
  static absl::Status Align(const Inputs& in, std::vector<Neighbour>* neighbours) {
    for (const Input* matte : InputsAround(in, "in")) {
      ASSIGN_OR_RETURN(std::optional<VectorField> vectors, MotionTo(in, "plate", matte->frame_offset));
      if (vectors) neighbours->push_back({&matte->picture.planes[0], *std::move(vectors)});
    }
    return absl::OkStatus();
  }
};

REGISTER_OP("steady", SteadyOp);

}  // namespace
}  // namespace selvage::worker
