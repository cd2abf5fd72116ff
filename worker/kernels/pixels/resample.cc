#include "worker/kernels/pixels/resample.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "proto/options.pb.h"
#include "worker/kernels/pixels/math.h"
#include "worker/kernels/pixels/pointwise_rows.h"
#include "worker/kernels/pixels/turn_rows.h"
#include "worker/picture/buffer_pool.h"

namespace selvage::worker {
namespace {

constexpr double kPi = 3.14159265358979323846;

double Lanczos3(double t) {
  if (t == 0) return 1;
  return Sin(kPi * t) * Sin(kPi * t / 3) / (kPi * kPi * t * t / 3);
}

// Keys 1981, a = -1/2.
double CatmullRom(double t) { return t < 1 ? 1 + t * t * (1.5 * t - 2.5) : 2 + t * (-4 + t * (2.5 - 0.5 * t)); }

// A kernel at distances 0..support, straight between 1024 points a pixel: off by
// at most 1024^-2 / 8 of its curvature, 5e-7.
class KernelTable {
 public:
  explicit KernelTable(ResampleFilter filter) : support_(filter == ResampleFilter::kLanczos3 ? 3 : 2) {
    values_.resize(support_ * kSteps + 2, 0.0f);
    for (int i = 0; i < support_ * kSteps; ++i) {
      // Exactly none of the other pixels where pixels fall on pixels.
      if (i > 0 && i % kSteps == 0) continue;
      const double t = static_cast<double>(i) / kSteps;
      values_[i] = static_cast<float>(filter == ResampleFilter::kLanczos3 ? Lanczos3(t) : CatmullRom(t));
    }
  }
  static constexpr int kSteps = 1024;
  int support() const { return support_; }
  const float* values() const { return values_.data(); }
  // REQUIRES: 0 <= distance <= support.
  float At(double distance) const {
    const double place = distance * kSteps;
    const int i = static_cast<int>(place);
    const float share = static_cast<float>(place - i);
    return values_[i] + share * (values_[i + 1] - values_[i]);
  }

 private:
  const int support_;
  std::vector<float> values_;
};

// Neighbouring samples of one row or column, and what each counts.
struct Taps {
  int first = 0;
  std::vector<float> weights;
  int end() const { return first + static_cast<int>(weights.size()); }
};

// What lies beyond [low, high): counts nothing, or is the sample at the edge.
enum class Outside { kNothing, kEdge };

class TapMaker {
 public:
  TapMaker(ResampleFilter filter, double widen)
      : nearest_(filter == ResampleFilter::kNearest),
        table_(filter),
        shrink_(1 / widen),
        radius_(table_.support() * widen) {}

  // Whether MakeTurnTaps makes the same taps.
  bool plain() const { return !nearest_ && shrink_ == 1; }
  const KernelTable& table() const { return table_; }

  // Of the samples about a place (centres at half integers). True if all of them
  // lie within [low, high).
  bool Make(double place, int low, int high, Outside outside, Taps* taps) const {
    const double at = place - 0.5;
    taps->first = nearest_ ? static_cast<int>(std::floor(place)) : static_cast<int>(std::floor(at - radius_)) + 1;
    const int last = nearest_ ? taps->first : static_cast<int>(std::ceil(at + radius_)) - 1;
    if (last < low || taps->first >= high) {
      taps->first = last < low ? low : high - 1;
      taps->weights.assign(outside == Outside::kEdge ? 1 : 0, 1.0f);
      return false;
    }
    if (nearest_) {
      taps->weights.assign(1, 1.0f);
    } else {
      Weigh(at, last, taps);
    }
    if (taps->first >= low && taps->end() <= high) return true;
    Fit(low, high, outside, taps);
    return false;
  }

 private:
  // Samples of weight 0 at both ends are not looked at: they may be infinite.
  void Weigh(double at, int last, Taps* taps) const {
    taps->weights.clear();
    double sum = 0;
    int first = taps->first;
    for (int i = first; i <= last; ++i) {
      const double distance = std::abs(i - at) * shrink_;
      const float weight = table_.At(std::min(distance, static_cast<double>(table_.support())));
      if (weight == 0 && taps->weights.empty()) {
        ++first;
        continue;
      }
      taps->weights.push_back(weight);
      sum += weight;
    }
    while (taps->weights.back() == 0) taps->weights.pop_back();
    taps->first = first;
    if (sum == 1) return;
    for (float& weight : taps->weights) weight = static_cast<float>(weight / sum);
  }

  // In a list of its own: one of a thousand taps keeps no room for the others.
  static void Fit(int low, int high, Outside outside, Taps* taps) {
    const int first = std::clamp(taps->first, low, high - 1), last = std::clamp(taps->end() - 1, low, high - 1);
    std::vector<float> fitted(last - first + 1, 0.0f);
    for (int i = taps->first; i < taps->end(); ++i) {
      const int at = std::clamp(i, low, high - 1);
      if (at == i || outside == Outside::kEdge) fitted[at - first] += taps->weights[i - taps->first];
    }
    taps->first = first;
    taps->weights = std::move(fitted);
  }

  const bool nearest_;
  const KernelTable table_;
  const double shrink_, radius_;
};

// Alpha and mattes; what is no number counts as 0.
void HoldRow(float* row, int n) {
  for (int x = 0; x < n; ++x) {
    const float v = row[x] > 0.0f ? row[x] : 0.0f;
    row[x] = v < 1.0f ? v : 1.0f;
  }
}

bool IsWhole(double v) { return v == std::floor(v); }

// Copies where every pixel of the result is one of the source. False, if not.
bool CopyWhole(const Picture& in, const Affine& m, bool repeat, Picture* out) {
  for (double v : {m.xx, m.xy, m.yx, m.yy}) {
    if (v != 0 && v != 1 && v != -1) return false;
  }
  // Of the pixel at (0, 0).
  const double x0 = 0.5 * (m.xx + m.xy) + m.x0 - 0.5, y0 = 0.5 * (m.yx + m.yy) + m.y0 - 0.5;
  if (!IsWhole(x0) || !IsWhole(y0)) return false;
  const int xx = static_cast<int>(m.xx), xy = static_cast<int>(m.xy), ox = static_cast<int>(x0);
  const int yx = static_cast<int>(m.yx), yy = static_cast<int>(m.yy), oy = static_cast<int>(y0);
  const Rect from = in.rect(), rect = out->rect();
  for (size_t c = 0; c < out->planes.size(); ++c) {
    const bool edge = repeat && c < 3;
    const Plane& plane = in.planes[c];
    ForRows(rect, [&](int y) {
      float* to = out->planes[c].row(y) - rect.x0;
      for (int x = rect.x0; x < rect.x1; ++x) {
        const int sx = xx * x + xy * y + ox, sy = yx * x + yy * y + oy;
        const int nx = std::clamp(sx, from.x0, from.x1 - 1), ny = std::clamp(sy, from.y0, from.y1 - 1);
        to[x] = edge || (nx == sx && ny == sy) ? plane.at(nx, ny) : 0.0f;
      }
    });
  }
  return true;
}

// Rows stay rows: down the columns first, then along each row.
class UprightSampler {
 public:
  UprightSampler(const Rect& from, const Rect& to, const Affine& m, const TapMaker& maker, Outside outside)
      : from_(from), rect_(to), columns_(to.width()), rows_(to.height()) {
    for (int x = 0; x < to.width(); ++x) {
      maker.Make(m.xx * (to.x0 + x + 0.5) + m.x0, from.x0, from.x1, outside, &columns_[x]);
    }
    for (int y = 0; y < to.height(); ++y) {
      maker.Make(m.yy * (to.y0 + y + 0.5) + m.y0, from.y0, from.y1, outside, &rows_[y]);
    }
    // Of these columns alone anything is seen.
    first_ = from.x1, end_ = from.x0;
    for (const Taps& taps : columns_) {
      if (taps.weights.empty()) continue;
      first_ = std::min(first_, taps.first);
      end_ = std::max(end_, taps.end());
    }
    line_.resize(std::max(0, end_ - first_));
  }

  void Row(const Plane& in, int y, float* to) {
    const Taps& down = rows_[y - rect_.y0];
    std::fill(line_.begin(), line_.end(), 0.0f);
    for (size_t j = 0; j < down.weights.size() && !line_.empty(); ++j) {
      AddScaled(in.row(down.first + static_cast<int>(j)) + (first_ - from_.x0), down.weights[j],
                static_cast<int>(line_.size()), line_.data());
    }
    for (int x = 0; x < rect_.width(); ++x) {
      const Taps& across = columns_[x];
      const float* from = line_.data() + (across.weights.empty() ? 0 : across.first - first_);
      float sum = 0;
      for (size_t i = 0; i < across.weights.size(); ++i) sum += across.weights[i] * from[i];
      to[x] = sum;
    }
  }

 private:
  static void AddScaled(const float* from, float weight, int n, float* __restrict to) {
    for (int x = 0; x < n; ++x) to[x] += weight * from[x];
  }

  const Rect from_, rect_;
  std::vector<Taps> columns_, rows_;
  int first_ = 0, end_ = 0;
  std::vector<float> line_;
};

// Any turn: every pixel has taps of its own. Channels lie side by side, so that
// one tap is one vector.
template <size_t kChannels>
class TurnedSampler {
 public:
  using Sample = std::array<float, kChannels>;

  TurnedSampler(const Picture& in, const TapMaker& maker) : maker_(maker), from_(in.rect()), samples_(from_.area()) {
    ForRows(from_, [&](int y) {
      std::array<const float*, kChannels> rows;
      for (size_t c = 0; c < kChannels; ++c) rows[c] = in.planes[c].row(y);
      Sample* to = samples_.data() + static_cast<size_t>(y - from_.y0) * from_.width();
      for (int x = 0; x < from_.width(); ++x) {
        for (size_t c = 0; c < kChannels; ++c) to[x][c] = rows[c][x];
      }
    });
  }

  // `count` pixels from (x, y) of the result on; at most kTurnBlock.
  void Block(const Affine& m, int x, int y, int count, bool repeat, Sample* out) {
    const double cy = y + 0.5;
    const bool plain = maker_.plain();
    if (plain) {
      const KernelTable& table = maker_.table();
      const TurnPlaces across{m.xx, m.xy * cy, m.x0, x, from_.x0, from_.x1};
      const TurnPlaces down{m.yx, m.yy * cy, m.y0, x, from_.y0, from_.y1};
      MakeTurnTaps(table.values(), KernelTable::kSteps, table.support(), across, count, &block_across_);
      MakeTurnTaps(table.values(), KernelTable::kSteps, table.support(), down, count, &block_down_);
      const ptrdiff_t stride = static_cast<ptrdiff_t>(kChannels) * from_.width();
      const auto* first = static_cast<const float*>(static_cast<const void*>(samples_.data()));
      const float* zero = first - from_.y0 * stride - from_.x0 * static_cast<ptrdiff_t>(kChannels);
      SumTurnTaps(zero, stride, kChannels, table.support(), block_across_, block_down_, count, out->data());
    }
    for (int i = 0; i < count; ++i) {
      if (plain && block_across_.whole[i] && block_down_.whole[i]) continue;
      const double cx = (x + i) + 0.5;
      out[i] = At(m.xx * cx + m.xy * cy + m.x0, m.yx * cx + m.yy * cy + m.y0, repeat);
    }
  }

 private:
  // With `repeat`, all channels but the last repeat beyond the edge.
  Sample At(double x, double y, bool repeat) {
    const bool inside = Make(x, y, Outside::kNothing);
    Sample sample = Sum();
    if (inside || !repeat) return sample;
    Make(x, y, Outside::kEdge);
    const Sample repeated = Sum();
    std::copy_n(repeated.begin(), kChannels - 1, sample.begin());
    return sample;
  }

  // True if all taps lie inside the source.
  bool Make(double x, double y, Outside outside) {
    const bool across = maker_.Make(x, from_.x0, from_.x1, outside, &across_);
    const bool down = maker_.Make(y, from_.y0, from_.y1, outside, &down_);
    return across && down;
  }

  Sample Sum() const {
    Sample sum{};
    for (size_t j = 0; j < down_.weights.size(); ++j) {
      const size_t row_of = static_cast<size_t>(down_.first - from_.y0) + j;
      const Sample* from = samples_.data() + row_of * from_.width() + (across_.first - from_.x0);
      Sample row{};
      for (size_t i = 0; i < across_.weights.size(); ++i) {
        const float weight = across_.weights[i];
        for (size_t c = 0; c < kChannels; ++c) row[c] += weight * from[i][c];
      }
      const float weight = down_.weights[j];
      for (size_t c = 0; c < kChannels; ++c) sum[c] += weight * row[c];
    }
    return sum;
  }

  const TapMaker& maker_;
  const Rect from_;
  PooledVector<Sample> samples_;
  Taps across_, down_;
  TurnTaps block_across_, block_down_;
};

template <size_t kChannels>
bool Turn(const Picture& in, const Affine& m, const TapMaker& maker, bool repeat, const std::function<bool()>& stopped,
          Picture* out) {
  TurnedSampler<kChannels> sampler(in, maker);
  const Rect rect = out->rect();
  for (int y = rect.y0; y < rect.y1; ++y) {
    if (stopped()) return false;
    std::array<float*, kChannels> to;
    for (size_t c = 0; c < kChannels; ++c) to[c] = out->planes[c].row(y) - rect.x0;
    std::array<std::array<float, kChannels>, kTurnBlock> block;
    for (int x = rect.x0; x < rect.x1; x += kTurnBlock) {
      const int count = std::min(kTurnBlock, rect.x1 - x);
      sampler.Block(m, x, y, count, repeat, block.data());
      for (size_t c = 0; c < kChannels; ++c) {
        for (int i = 0; i < count; ++i) to[c][x + i] = block[i][c];
      }
    }
  }
  return true;
}

bool Upright(const Picture& in, const Affine& m, const TapMaker& maker, bool repeat,
             const std::function<bool()>& stopped, Picture* out) {
  const Rect rect = out->rect();
  UprightSampler color(in.rect(), rect, m, maker, repeat ? Outside::kEdge : Outside::kNothing);
  UprightSampler matte(in.rect(), rect, m, maker, Outside::kNothing);
  for (size_t c = 0; c < out->planes.size(); ++c) {
    UprightSampler& sampler = c < 3 ? color : matte;
    for (int y = rect.y0; y < rect.y1; ++y) {
      if (stopped()) return false;
      sampler.Row(in.planes[c], y, out->planes[c].row(y));
    }
  }
  return true;
}

}  // namespace

bool Resample(const Picture& in, const Affine& to_source, double widen, ResampleFilter filter,
              const std::function<bool()>& stopped, Picture* out) {
  const bool repeat = out->kind == STRAIGHT;
  if (CopyWhole(in, to_source, repeat, out)) return true;
  const TapMaker maker(filter, widen);
  const bool upright = to_source.xy == 0 && to_source.yx == 0;
  const bool done = upright              ? Upright(in, to_source, maker, repeat, stopped, out)
                    : out->kind == MATTE ? Turn<1>(in, to_source, maker, false, stopped, out)
                                         : Turn<4>(in, to_source, maker, repeat, stopped, out);
  if (!done) return false;
  if (filter != ResampleFilter::kNearest) {
    Plane& matte = out->planes.back();
    ForRows(out->rect(), [&](int y) { HoldRow(matte.row(y), out->rect().width()); });
  }
  return true;
}

}  // namespace selvage::worker
