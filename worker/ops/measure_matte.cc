// Figures of a matte for the report. What they mean: proto/ops/internal.proto.
#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/inputs/motion_input.h"
#include "worker/kernels/geometry/parts.h"
#include "worker/kernels/motion/matte_edge.h"
#include "worker/kernels/motion/motion.h"
#include "worker/kernels/motion/plate_rows.h"

namespace selvage::worker {
namespace {

// What shows of the screen colour at least to count.
constexpr double kSpill = 0.01;

// Channel A of a matte as of a picture.
const Plane& MatteOf(const Picture& picture) { return picture.planes.back(); }

// A neighbouring matte and where its pixels are.
struct Neighbour {
  const Plane* matte;
  VectorField vectors;
  float At(int x, int y) const { return SampleAlong(*matte, x, y, vectors.At(x >> 3, y >> 3)); }
};

// One measurement at one frame.
class Measurer {
 public:
  Measurer(const OpContext& context, const MeasureMatte& p, const Inputs& in)
      : context_(context),
        p_(p),
        in_(in),
        matte_(MatteOf(in.main().picture)),
        rect_(matte_.rect()),
        width_(rect_.width()),
        solid_(static_cast<float>(p.solid().value())),
        clear_(static_cast<float>(p.clear().value())),
        area_(p.area().has_value() ? p.area().value() : 0.001 * static_cast<double>(context.format.area())) {}

  absl::Status Run(MatteFigures* figures) {
    CountCover(figures);
    FindEdge();
    FindHoles(figures);
    FindSpecks(figures);
    figures->set_edge_pixels(std::count(edge_.begin(), edge_.end(), 1));
    if (context_.stopped()) return absl::CancelledError("cancelled: no job needs this");
    RETURN_IF_ERROR(MeasureFlicker(figures));
    if (context_.stopped()) return absl::CancelledError("cancelled: no job needs this");
    MeasureColor(figures);
    return absl::OkStatus();
  }

 private:
  void CountCover(MatteFigures* figures) const {
    uint64_t covered = 0, soft = 0;
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const float* v = matte_.row(y);
      uint32_t row_covered = 0, row_soft = 0;
      for (int x = 0; x < width_; ++x) {
        row_covered += v[x] > clear_;
        row_soft += (v[x] > clear_) & (v[x] < solid_);
      }
      covered += row_covered;
      soft += row_soft;
    }
    figures->set_pixels(rect_.area());
    figures->set_covered_pixels(covered);
    figures->set_soft_pixels(soft);
  }

  void FindEdge() {
    edge_.resize(rect_.area());
    for (int y = rect_.y0; y < rect_.y1; ++y) EdgeRow(matte_, y, EdgeAt(y));
  }
  uint8_t* EdgeAt(int y) { return edge_.data() + static_cast<size_t>(y - rect_.y0) * width_; }

  // 1 where `is_fault` says so of the matte's value; with a port, only where that
  // matte is solid.
  template <class IsFault>
  std::vector<uint8_t> Bitmap(const Input* where, const IsFault& is_fault) const {
    std::vector<uint8_t> bitmap(rect_.area());
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      uint8_t* to = bitmap.data() + static_cast<size_t>(y - rect_.y0) * width_;
      const float* v = matte_.row(y);
      for (int x = 0; x < width_; ++x) to[x] = is_fault(v[x]);
      if (where == nullptr) continue;
      const float* must = MatteOf(where->picture).row(y);
      for (int x = 0; x < width_; ++x) to[x] &= must[x] >= solid_;
    }
    return bitmap;
  }

  void FindHoles(MatteFigures* figures) {
    const Input* core = in_.Find("core");
    const Parts parts =
        ConnectedParts(Bitmap(core, [this](float v) { return !(v >= solid_); }), width_, rect_.height());
    std::vector<bool> counts(parts.parts.size(), true);
    for (size_t i = 0; core == nullptr && i < counts.size(); ++i) {
      counts[i] = !parts.parts[i].at_edge && static_cast<double>(parts.parts[i].area) <= area_;
    }
    const Sum sum = AddUp(parts, counts);
    figures->set_hole_pixels(sum.pixels);
    figures->set_holes(sum.parts);
    if (sum.parts > 0) *figures->mutable_largest_hole() = sum.largest;
  }

  void FindSpecks(MatteFigures* figures) {
    const Input* garbage = in_.Find("garbage");
    const Parts parts = ConnectedParts(Bitmap(garbage, [this](float v) { return v > clear_; }), width_, rect_.height());
    std::vector<bool> counts(parts.parts.size(), true);
    if (garbage == nullptr && !counts.empty()) {
      for (size_t i = 0; i < counts.size(); ++i) counts[i] = static_cast<double>(parts.parts[i].area) <= area_;
      const auto body = std::max_element(parts.parts.begin(), parts.parts.end(),
                                         [](const Part& a, const Part& b) { return a.area < b.area; });
      counts[body - parts.parts.begin()] = false;
    }
    const Sum sum = AddUp(parts, counts);
    figures->set_speck_pixels(sum.pixels);
    figures->set_specks(sum.parts);
    if (sum.parts > 0) *figures->mutable_largest_speck() = sum.largest;
  }

  struct Sum {
    uint64_t pixels = 0, parts = 0;
    MatteFigures::Part largest;
  };
  // Of the parts that count; their pixels are no edge.
  Sum AddUp(const Parts& found, const std::vector<bool>& counts) {
    Sum sum;
    int most = -1;
    for (size_t i = 0; i < counts.size(); ++i) {
      if (!counts[i]) continue;
      sum.pixels += found.parts[i].area;
      ++sum.parts;
      if (most < 0 || found.parts[i].area > found.parts[most].area) most = static_cast<int>(i);
    }
    if (most < 0) return sum;
    Rect box;
    for (const PartRun& run : found.runs) {
      if (!counts[run.part]) continue;
      std::fill_n(EdgeAt(rect_.y0 + run.y) + run.x0, run.x1 - run.x0, 0);
      if (run.part == most) box = box.Union({run.x0, run.y, run.x1, run.y + 1});
    }
    sum.largest.set_pixels(found.parts[most].area);
    sum.largest.set_x(rect_.x0 + box.x0);
    sum.largest.set_y(rect_.y0 + box.y0);
    sum.largest.set_width(box.width());
    sum.largest.set_height(box.height());
    return sum;
  }

  // The matte at that frame along the plate's motion; nothing where it or the
  // plate is missing.
  absl::StatusOr<std::optional<Neighbour>> Align(int frame_offset) const {
    const Input* matte = in_.Find("in", frame_offset);
    ASSIGN_OR_RETURN(std::optional<VectorField> vectors, MotionTo(in_, "plate", frame_offset));
    if (matte == nullptr || !vectors) return std::optional<Neighbour>();
    return std::optional(Neighbour{&MatteOf(matte->picture), *std::move(vectors)});
  }

  absl::Status MeasureFlicker(MatteFigures* figures) {
    ASSIGN_OR_RETURN(const std::optional<Neighbour> before, Align(-1));
    ASSIGN_OR_RETURN(const std::optional<Neighbour> after, Align(1));
    if (!before) return absl::OkStatus();
    // Row by row in binary64: one order on every machine.
    double beyond = 0, jump = 0;
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const float* row = matte_.row(y);
      const uint8_t* edge = EdgeAt(y);
      for (int x = 0; x < width_; ++x) {
        if (!edge[x]) continue;
        const double v = ClampedMatte(row[x]), b = before->At(rect_.x0 + x, y);
        jump += (v - b) * (v - b);
        if (!after) continue;
        const double a = after->At(rect_.x0 + x, y);
        const double off = v - std::clamp(v, std::min(a, b), std::max(a, b));
        beyond += off * off;
      }
    }
    const double count = std::max<double>(1, static_cast<double>(figures->edge_pixels()));
    figures->set_jump(std::sqrt(jump / count));
    if (after) figures->set_flicker(std::sqrt(beyond / count));
    return absl::OkStatus();
  }

  void MeasureColor(MatteFigures* figures) {
    const Input* given = in_.Find("color");
    const Picture& color = (given != nullptr ? *given : in_.main()).picture;
    if (color.kind == MATTE) return;
    const int s = p_.screen() == Screen::BLUE ? 2 : 1, o1 = s == 1 ? 0 : 1, o2 = s == 1 ? 2 : 0;
    const bool multiplied = color.kind == PREMULTIPLIED;
    const auto clip = static_cast<float>(p_.clip().value());
    double spill = 0;
    uint64_t spilt = 0, clipped = 0, negative = 0;
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      const float *alpha = matte_.row(y), *c[3];
      for (int k = 0; k < 3; ++k) c[k] = color.planes[k].row(y);
      const uint8_t* edge = EdgeAt(y);
      for (int x = 0; x < width_; ++x) {
        const bool covered = alpha[x] > clear_;
        if (!covered && !edge[x]) continue;
        if (!std::isfinite(c[0][x]) || !std::isfinite(c[1][x]) || !std::isfinite(c[2][x])) {
          clipped += covered;
          continue;
        }
        const double excess = std::max(0.0, c[s][x] - 0.5 * (static_cast<double>(c[o1][x]) + c[o2][x]));
        const double shows = multiplied ? excess : excess * ClampedMatte(alpha[x]);
        if (edge[x]) spill += shows;
        if (!covered) continue;
        spilt += shows >= kSpill;
        clipped += c[0][x] >= clip || c[1][x] >= clip || c[2][x] >= clip;
        negative += c[0][x] < 0 || c[1][x] < 0 || c[2][x] < 0;
      }
    }
    figures->set_edge_spill(spill / std::max<double>(1, static_cast<double>(figures->edge_pixels())));
    figures->set_spill_pixels(spilt);
    figures->set_clipped_pixels(clipped);
    figures->set_negative_pixels(negative);
  }

  const OpContext& context_;
  const MeasureMatte& p_;
  const Inputs& in_;
  const Plane& matte_;
  const Rect rect_;
  const int width_;
  const float solid_, clear_;
  const double area_;
  // 1 at the edge, row by row.
  std::vector<uint8_t> edge_;
};

class MeasureMatteOp final : public TypedOp<MeasureMatte> {
  // All mattes and the colour over the measured matte's window.
  Rect Reads(const OpContext&, const MeasureMatte&, const Rect& out, const Input&) const override { return out; }
  Beyond Edge(const google::protobuf::Message&, const std::string&) const override { return Beyond::kTransparent; }

  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const MeasureMatte& p,
                                       const Inputs& in) const override {
    if (in.main().window.empty())
      return absl::InvalidArgumentError("there is nothing to measure: the result has no pixels");
    MatteFigures figures;
    RETURN_IF_ERROR(Measurer(context, p, in).Run(&figures));
    return figures.SerializeAsString();
  }
};
REGISTER_OP("measure_matte", MeasureMatteOp);

}  // namespace
}  // namespace selvage::worker
