#include "worker/kernels/pixels/turn_rows.h"

#include <cmath>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/turn_rows.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

// Plain loops over the pixels of a block, which vectorise; operations and their order are
// those of TapMaker in resample.cc.
void MakeTaps(const float* HWY_RESTRICT values, int steps, int support, const TurnPlaces& given, int count,
              TurnTaps* HWY_RESTRICT taps) {
  const TurnPlaces p = given;
  const double radius = support, low = p.low, high = p.high;
  const int tap_count = 2 * support;
  double at[kTurnBlock], sum[kTurnBlock];
  for (int x = 0; x < count; ++x) {
    const double centre = (p.first_pixel + x) + 0.5;
    const double place = (p.step * centre + p.before + p.origin) - 0.5;
    const double first = std::floor(place - radius) + 1, last = std::ceil(place + radius) - 1;
    const bool whole = first >= low && last < high && last - first == tap_count - 1;
    // Elsewhere any place that the table has.
    at[x] = whole ? place : 0.5;
    taps->first[x] = static_cast<int32_t>(whole ? first : 1.0 - support);
    taps->whole[x] = whole ? 1 : 0;
    sum[x] = 0;
  }
  for (int t = 0; t < tap_count; ++t) {
    float* HWY_RESTRICT to = taps->weights[t].data();
    for (int x = 0; x < count; ++x) {
      const double distance = std::abs((taps->first[x] + t) - at[x]);
      const double place = (distance < radius ? distance : radius) * steps;
      const int i = static_cast<int>(place);
      const float share = static_cast<float>(place - i);
      const float weight = values[i] + share * (values[i + 1] - values[i]);
      to[x] = weight;
      sum[x] += weight;
    }
  }
  const float* outer[2] = {taps->weights[0].data(), taps->weights[tap_count - 1].data()};
  for (int x = 0; x < count; ++x) taps->whole[x] = outer[0][x] == 0.0f || outer[1][x] == 0.0f ? 0 : taps->whole[x];
  for (int t = 0; t < tap_count; ++t) {
    float* HWY_RESTRICT to = taps->weights[t].data();
    for (int x = 0; x < count; ++x) to[x] = static_cast<float>(to[x] / sum[x]);
  }
}

template <int kTaps, int kChannels>
HWY_INLINE void Sums(const float* samples, ptrdiff_t stride, const TurnTaps& across, const TurnTaps& down, int count,
                     float* out) {
  for (int x = 0; x < count; ++x, out += kChannels) {
    if (!(across.whole[x] && down.whole[x])) continue;
    const float* from = samples + down.first[x] * stride + across.first[x] * ptrdiff_t{kChannels};
    float sum[kChannels] = {};
    for (int j = 0; j < kTaps; ++j, from += stride) {
      for (int c = 0; c < kChannels; ++c) {
        float row = 0;
        for (int i = 0; i < kTaps; ++i) row += across.weights[i][x] * from[kChannels * i + c];
        sum[c] += down.weights[j][x] * row;
      }
    }
    for (int c = 0; c < kChannels; ++c) out[c] = sum[c];
  }
}

#if HWY_TARGET != HWY_SCALAR
// One tap of all four channels is one vector.
template <int kTaps>
HWY_INLINE void SumsOfFour(const float* samples, ptrdiff_t stride, const TurnTaps& across, const TurnTaps& down,
                           int count, float* out) {
  const hn::FixedTag<float, 4> d;
  for (int x = 0; x < count; ++x) {
    if (!(across.whole[x] && down.whole[x])) continue;
    const float* from = samples + down.first[x] * stride + across.first[x] * ptrdiff_t{4};
    hn::Vec<decltype(d)> weights[kTaps];
    for (int i = 0; i < kTaps; ++i) weights[i] = hn::Set(d, across.weights[i][x]);
    auto sum = hn::Zero(d);
    for (int j = 0; j < kTaps; ++j, from += stride) {
      auto row = hn::Zero(d);
      for (int i = 0; i < kTaps; ++i) row = row + weights[i] * hn::LoadU(d, from + 4 * i);
      sum = sum + hn::Set(d, down.weights[j][x]) * row;
    }
    hn::StoreU(sum, d, out + 4 * x);
  }
}
#endif

template <int kTaps>
HWY_INLINE void SumsOf(const float* samples, ptrdiff_t stride, int channels, const TurnTaps& across,
                       const TurnTaps& down, int count, float* out) {
  if (channels == 1) return Sums<kTaps, 1>(samples, stride, across, down, count, out);
#if HWY_TARGET == HWY_SCALAR
  Sums<kTaps, 4>(samples, stride, across, down, count, out);
#else
  SumsOfFour<kTaps>(samples, stride, across, down, count, out);
#endif
}

void SumTaps(const float* samples, ptrdiff_t stride, int channels, int support, const TurnTaps& across,
             const TurnTaps& down, int count, float* out) {
  if (support == 3) {
    SumsOf<6>(samples, stride, channels, across, down, count, out);
  } else {
    SumsOf<4>(samples, stride, channels, across, down, count, out);
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(MakeTaps);
HWY_EXPORT(SumTaps);
void MakeTurnTaps(const float* values, int steps, int support, const TurnPlaces& places, int count, TurnTaps* taps) {
  HWY_DYNAMIC_DISPATCH(MakeTaps)(values, steps, support, places, count, taps);
}
void SumTurnTaps(const float* samples, ptrdiff_t stride, int channels, int support, const TurnTaps& across,
                 const TurnTaps& down, int count, float* out) {
  HWY_DYNAMIC_DISPATCH(SumTaps)(samples, stride, channels, support, across, down, count, out);
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
