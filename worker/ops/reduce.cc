// A plate at a fraction of its size. Contract: proto/ops/internal.proto.
#include <algorithm>
#include <vector>

#include "worker/chain/op.h"

namespace selvage::worker {
namespace {

int FloorOf(int v, int by) { return v >= 0 ? v / by : -((-v + by - 1) / by); }
int CeilOf(int v, int by) { return -FloorOf(-v, by); }

// The pixels of the result that cover some of the rectangle.
Rect ReducedRect(const Rect& r, int by) {
  return {FloorOf(r.x0, by), FloorOf(r.y0, by), CeilOf(r.x1, by), CeilOf(r.y1, by)};
}

// The rows that one row of the result covers, laid on each other, then drawn together column
// by column. Sums of halves are exact in binary64, so no order of them is another one.
class RowSums {
 public:
  RowSums(const Rect& from, int by) : from_(from), by_(by) {
    sum_.resize(static_cast<size_t>(from.width()));
    weight_.resize(sum_.size());
  }

  void Clear() {
    std::fill(sum_.begin(), sum_.end(), 0.0);
    std::fill(weight_.begin(), weight_.end(), 0.0);
  }
  void Add(const float* row) {
    for (size_t i = 0; i < sum_.size(); ++i) {
      sum_[i] += row[i];
      weight_[i] += 1;
    }
  }
  // Each sample counts by its weight.
  void Add(const float* row, const float* weights) {
    for (size_t i = 0; i < sum_.size(); ++i) {
      const double weight = weights[i] > 0 ? weights[i] : 0;
      sum_[i] += weight * row[i];
      weight_[i] += weight;
    }
  }
  // From the first column on; without any weight, what `otherwise` has.
  void Means(const RowSums& otherwise, float* to) const {
    int x = from_.x0;
    while (x < from_.x1) {
      const int next = std::min((FloorOf(x, by_) + 1) * by_, from_.x1);
      double mean = 0;
      if (!MeanOf(x, next, &mean)) (void)otherwise.MeanOf(x, next, &mean);
      *to++ = static_cast<float>(mean);
      x = next;
    }
  }

 private:
  bool MeanOf(int from, int to, double* mean) const {
    double sum = 0, weight = 0;
    for (int x = from; x < to; ++x) {
      sum += sum_[static_cast<size_t>(x - from_.x0)];
      weight += weight_[static_cast<size_t>(x - from_.x0)];
    }
    if (weight > 0) *mean = sum / weight;
    return weight > 0;
  }

  const Rect from_;
  const int by_;
  std::vector<double> sum_, weight_;
};

class ReduceOp final : public TypedOp<Reduce> {
  // Every result covers the format; beyond the plate's own pixels there is nothing.
  Rect Window(const OpContext& context, const Reduce& p, const Inputs& in) const override {
    return context.format.Union(ReducedRect(in.main().window, By(p)));
  }
  bool PlaceMatters(const google::protobuf::Message&) const override { return true; }

  absl::Status Make(const OpContext& context, const Reduce& p, const Inputs& in, Picture* out) const override {
    const Picture& picture = in.main().picture;
    for (size_t c = 0; c < picture.planes.size(); ++c) {
      if (out->kind == OPAQUE && c == 3) {
        out->planes[c] = Plane::Filled(out->rect(), 1);
        continue;
      }
      const bool color_of_straight = out->kind == STRAIGHT && c < 3;
      const Plane* weights = color_of_straight ? &picture.planes[3] : nullptr;
      if (!ReducePlane(context, By(p), picture.planes[c], weights, &out->planes[c])) {
        return absl::CancelledError("cancelled: no job needs this");
      }
    }
    return absl::OkStatus();
  }

  static int By(const Reduce& p) { return static_cast<int>(std::max(1u, p.by())); }

  static bool ReducePlane(const OpContext& context, int by, const Plane& from, const Plane* weights, Plane* to) {
    const Rect inside = ReducedRect(from.rect(), by);
    RowSums plain(from.rect(), by), weighted(from.rect(), by);
    for (int y = to->rect().y0; y < to->rect().y1; ++y) {
      if (context.stopped()) return false;
      float* row = to->row(y);
      std::fill_n(row, to->rect().width(), 0.0f);
      if (y < inside.y0 || y >= inside.y1) continue;
      plain.Clear();
      weighted.Clear();
      const int first = std::max(from.rect().y0, y * by), last = std::min(from.rect().y1, (y + 1) * by);
      for (int k = first; k < last; ++k) {
        plain.Add(from.row(k));
        if (weights != nullptr) weighted.Add(from.row(k), weights->row(k));
      }
      (weights != nullptr ? weighted : plain).Means(plain, row + (inside.x0 - to->rect().x0));
    }
    return true;
  }
};
REGISTER_OP("reduce", ReduceOp);

}  // namespace
}  // namespace selvage::worker
