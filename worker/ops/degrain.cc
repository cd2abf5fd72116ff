// Noise reduction over space and time; the recipe is in worker/kernels/README.md.
#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <memory>
#include <optional>
#include <vector>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/motion_input.h"
#include "worker/inputs/noise_input.h"
#include "worker/kernels/motion/even_noise.h"
#include "worker/kernels/motion/motion.h"
#include "worker/kernels/motion/noise.h"
#include "worker/kernels/motion/patch_shrink.h"
#include "worker/kernels/motion/plate_rows.h"

namespace selvage::worker {
namespace {

// Rows of a neighbour that are in use at a time: motion reach and taps on both
// sides of a patch, and the rows by which the second pass lags behind.
constexpr int kRowsKept = 128;
// Rows below a patch's first that its neighbours need.
constexpr int kRowsAhead = kMotionReach + kPatch + 2;
// The second pass works this far behind the first, so that its pilot rows are
// complete, also those mirrored in at the top edge (up to 6 above it).
constexpr int kLag = 10;
// A patch and its mirrored part.
constexpr int kPilotRows = 32;
// Pass 2 is shifted by half a stride: its patch borders fall in the middle of
// those of pass 1.
constexpr int kFirstOrigin = 0, kSecondOrigin = 2;

struct Strength {
  float channel[3];
};

// One frame on its way into the filter.
struct Frame {
  Frame(const Picture& picture, const Rect& window)
      : colors(picture, window), rows(window, 3, kRowsKept), next(window.y0) {}
  // Stabilises rows up to and including y.
  void FillTo(const NoiseCurves& curves, int y) {
    for (; next <= y && next < rows.window().y1; ++next) {
      const float* rgb[3];
      colors.Read(next, rgb);
      float* first = rows.Write(next);
      float* const yuv[3] = {first, first + rows.plane_stride(), first + 2 * rows.plane_stride()};
      EvenNoiseRow(curves, rgb, rows.window().width(), yuv);
      rows.Extend(next);
    }
  }
  PlateRows colors;
  RollingRows rows;
  int next;
  // From the frame that is degrained to this one.
  VectorField vectors;
};

// The input with part of its noise taken away, or that part. Values that the
// filter did not take stay.
void MixRow(const float* input, const float* degrained, float strength, bool grain, int count, float* out) {
  for (int x = 0; x < count; ++x) {
    const bool keep = strength == 0 || !IsFilterable(input[x]);
    const float mixed = keep ? input[x] : input[x] + strength * (degrained[x] - input[x]);
    out[x] = grain ? (keep ? 0 : input[x] - mixed) : mixed;
  }
}

class DegrainRun {
 public:
  DegrainRun(const OpContext& context, const NoiseMeasurement& noise, const Strength& strength, bool grain,
             Picture* out)
      : context_(context), noise_(noise), strength_(strength), grain_(grain), out_(out) {}

  absl::Status Run(const Inputs& in) {
    const Input& main = in.main();
    const Rect window = main.picture.rect();
    Frame centre(main.picture, window);
    std::vector<std::unique_ptr<Frame>> others;
    for (const Input* neighbour : InputsAround(in, "in")) {
      ASSIGN_OR_RETURN(std::optional<VectorField> vectors, MotionTo(in, "in", neighbour->frame_offset));
      if (!vectors) continue;
      others.push_back(std::make_unique<Frame>(neighbour->picture, window));
      others.back()->vectors = *std::move(vectors);
    }

    std::vector<PatchNeighbour> patches;
    for (const auto& frame : others) patches.push_back({&frame->rows, &frame->vectors});
    RollingRows pilot(window, 3, kPilotRows);
    ShrinkPass first(&centre.rows, patches, nullptr, noise_.spectrum, {}, kFirstOrigin);
    ShrinkPass second(&centre.rows, patches, &pilot, noise_.spectrum, {}, kSecondOrigin);

    int second_y = second.first_row();
    for (int y = first.first_row(); second_y <= second.last_row(); y += kPatchStride) {
      if (context_.stopped()) return absl::CancelledError("cancelled: no job needs this");
      if (y <= first.last_row()) {
        centre.FillTo(noise_.curves, y + kRowsAhead);
        for (const auto& frame : others) frame->FillTo(noise_.curves, y + kRowsAhead);
        first.Run(y);
        KeepPilot(first, y, window, &pilot);
      }
      for (; second_y <= second.last_row() && second_y + kLag <= y; second_y += kPatchStride) {
        second.Run(second_y);
        Finish(second, second_y, main.picture);
      }
    }
    return absl::OkStatus();
  }

 private:
  static void KeepPilot(const ShrinkPass& pass, int y, const Rect& window, RollingRows* pilot) {
    for (int row = std::max(y, window.y0); row < std::min(y + kPatchStride, window.y1); ++row) {
      for (int p = 0; p < 3; ++p) pass.Take(row, p, pilot->Write(row) + p * pilot->plane_stride());
      pilot->Extend(row);
    }
  }

  void Finish(const ShrinkPass& pass, int y, const Picture& input) {
    const Rect& window = input.rect();
    const int width = window.width();
    for (auto& row : lines_) row.resize(width);
    for (int row = std::max(y, window.y0); row < std::min(y + kPatchStride, window.y1); ++row) {
      float* const yuv[3] = {lines_[0].data(), lines_[1].data(), lines_[2].data()};
      float* const rgb[3] = {lines_[3].data(), lines_[4].data(), lines_[5].data()};
      for (int p = 0; p < 3; ++p) pass.Take(row, p, yuv[p]);
      RestoreRow(noise_.curves, yuv, width, rgb);
      for (int c = 0; c < 3; ++c) {
        MixRow(input.planes[c].row(row), rgb[c], strength_.channel[c], grain_, width, out_->planes[c].row(row));
      }
    }
  }

  const OpContext& context_;
  const NoiseMeasurement& noise_;
  const Strength strength_;
  const bool grain_;
  Picture* out_;
  std::vector<float> lines_[6];
};

class DegrainOp final : public TypedOp<Degrain> {
 public:
  absl::Status Make(const OpContext& context, const Degrain& params, const Inputs& in, Picture* out) const override {
    const Input& main = in.main();
    const Rect window = main.picture.rect();
    if (window.empty()) return absl::OkStatus();
    ASSIGN_OR_RETURN(const NoiseMeasurement noise, Noise(params, in));
    const Strength strength = {{Component(params.strength().has_r(), params.strength().r()),
                                Component(params.strength().has_g(), params.strength().g()),
                                Component(params.strength().has_b(), params.strength().b())}};
    for (size_t p = 3; p < out->planes.size(); ++p) CopyPlane(main.picture.planes[p], &out->planes[p]);
    const bool idle = strength.channel[0] == 0 && strength.channel[1] == 0 && strength.channel[2] == 0;
    if (idle || noise.none() || IsEven(main.picture)) {
      for (int p = 0; p < 3; ++p) {
        if (params.grain()) {
          out->planes[p] = Plane::Filled(window, 0);
        } else {
          CopyPlane(main.picture.planes[p], &out->planes[p]);
        }
      }
      return absl::OkStatus();
    }
    return DegrainRun(context, noise, strength, params.grain(), out).Run(in);
  }

 private:
  // One colour all over: there is no grain in it.
  static bool IsEven(const Picture& picture) {
    for (int p = 0; p < 3; ++p) {
      const Plane& plane = picture.planes[p];
      const Rect& r = plane.rect();
      const float first = plane.at(r.x0, r.y0);
      for (int y = r.y0; y < r.y1; ++y) {
        const float* row = plane.row(y);
        for (int x = 0; x < r.width(); ++x) {
          if (row[x] != first) return false;
        }
      }
    }
    return true;
  }

  static float Component(bool set, double value) { return set ? static_cast<float>(value) : 1.0f; }

  static void CopyPlane(const Plane& from, Plane* to) {
    const Rect& r = from.rect();
    for (int y = r.y0; y < r.y1; ++y) std::memcpy(to->row(y), from.row(y), r.width() * sizeof(float));
    to->constant = from.constant;
  }

  // Measured in a box, given as numbers, or else found in this very frame.
  static absl::StatusOr<NoiseMeasurement> Noise(const Degrain& params, const Inputs& in) {
    ASSIGN_OR_RETURN(const std::optional<NoiseMeasurement> given, GivenNoise(params, in));
    if (given) return *given;
    const Picture& picture = in.main().picture;
    ASSIGN_OR_RETURN(const Rect box, FindEvenBox(picture));
    // Black, clipped or painted all over.
    if (box.empty()) return NoiseMeasurement();
    return MeasureNoise(picture, box);
  }
};

REGISTER_OP("degrain", DegrainOp);

}  // namespace
}  // namespace selvage::worker
