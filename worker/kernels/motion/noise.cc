#include "worker/kernels/motion/noise.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/kernels/motion/noise_fit.h"
#include "worker/kernels/pixels/dct.h"

namespace selvage::worker {
namespace {

constexpr int kBlock = 8;
constexpr int kMinBlocksInBin = 20;
constexpr int kBins = 12;
// Blocks below this share of a bin set its level: low, because texture only adds.
constexpr double kQuantile = 0.15;
// Normal quantile of kQuantile.
constexpr double kQuantileNormal = -1.0364;
// Without any other level to compare with: share of photon noise.
constexpr double kPhotonGuess = 0.8;
// Some read-out noise always remains: with none, black would count as noise-free.
constexpr double kMostPhoton = 0.97;
// A coefficient that looks free of noise (chroma above what 4:2:0 carries) may
// still hold errors of interpolation; taking it at its word would reject every
// neighbouring frame.
constexpr float kLeastSpectrum = 0.05f;

// Box `of` a plane as packed values.
std::vector<float> Cut(const Plane& plane, const Rect& box) {
  std::vector<float> values;
  values.reserve(box.area());
  for (int y = box.y0; y < box.y1; ++y) {
    const float* row = plane.row(y) + (box.x0 - plane.rect().x0);
    values.insert(values.end(), row, row + box.width());
  }
  return values;
}

// Mean square of each coefficient over the 8x8 patches of a field of width x
// height, two pixels apart.
std::array<double, 64> MeanSpectrum(const std::vector<float>& values, int width, int height) {
  std::array<double, 64> sum{};
  int count = 0;
  float c[64];
  for (int y = 0; y + kBlock <= height; y += 2) {
    for (int x = 0; x + kBlock <= width; x += 2, ++count) {
      Dct8x8(&values[static_cast<size_t>(y) * width + x], width, c);
      for (int k = 0; k < 64; ++k) sum[k] += static_cast<double>(c[k]) * c[k];
    }
  }
  for (double& s : sum) s /= count;
  return sum;
}

// What one channel of the box says.
struct BoxNoise {
  double mean = 0, variance = 0;
  // Mean energy of a high-frequency coefficient over `variance`; 1 for white noise.
  double share = 1;
  // Independent terms in a block's high-frequency energy: 21 for white noise.
  double freedom = kHighFrequencies;
};

BoxNoise MeasureBox(std::vector<float> values, int width, int height) {
  BoxNoise box;
  for (float v : values) box.mean += v;
  box.mean /= static_cast<double>(values.size());
  box.variance = RemoveQuadratic(&values, width, height);
  // Nothing but the rounding of the arithmetic.
  if (box.variance < 1e-12 * box.mean * box.mean) box.variance = 0;
  const std::array<double, 64> spectrum = MeanSpectrum(values, width, height);
  double sum = 0, squares = 0;
  for (int k = 0; k < 64; ++k) {
    if (!IsHighFrequency(k)) continue;
    sum += spectrum[k];
    squares += spectrum[k] * spectrum[k];
  }
  if (box.variance > 0 && sum > 0) {
    box.share = sum / kHighFrequencies / box.variance;
    box.freedom = sum * sum / squares;
  }
  return box;
}

// Level and noise estimate of one 8x8 block.
struct BlockNoise {
  double level, variance;
};

std::vector<BlockNoise> MeasureBlocks(const Plane& plane, const BoxNoise& box) {
  std::vector<BlockNoise> blocks;
  const float least = LeastValue(plane), most = GreatestValue(plane);
  const Rect& r = plane.rect();
  float c[64];
  for (int y = r.y0; y + kBlock <= r.y1; y += kBlock) {
    for (int x = r.x0; x + kBlock <= r.x1; x += kBlock) {
      if (!IsUsable(plane, x, y, least, most)) continue;
      Dct8x8(plane.row(y) + (x - r.x0), plane.stride(), c);
      const double energy = HighFrequencyEnergy(c);
      if (energy > 0) blocks.push_back({c[0] / 8.0, energy / kHighFrequencies / box.share});
    }
  }
  return blocks;
}

// Slope of the noise variance over level through the box's point.
double PhotonSlope(std::vector<BlockNoise> blocks, const BoxNoise& box) {
  if (box.mean <= 0) return 0;
  const double most = box.variance / box.mean;
  std::sort(blocks.begin(), blocks.end(), [](const BlockNoise& p, const BlockNoise& q) { return p.level < q.level; });
  if (blocks.size() < 2 * kMinBlocksInBin) return kPhotonGuess * most;
  // The outermost percent may be a lamp or a hole.
  const double low = blocks[blocks.size() / 100].level, high = blocks[blocks.size() - 1 - blocks.size() / 100].level;
  const double quantile = ChiSquaredQuantile(kQuantileNormal, box.freedom);

  std::vector<std::pair<double, double>> slopes;  // slope, weight
  size_t begin = 0;
  for (int bin = 0; bin < kBins; ++bin) {
    const double top = low + (high - low) * (bin + 1) / kBins;
    size_t end = begin;
    while (end < blocks.size() && blocks[end].level <= top) ++end;
    const size_t count = end - begin;
    if (count >= kMinBlocksInBin) {
      double level = 0;
      std::vector<double> variances;
      for (size_t i = begin; i < end; ++i) {
        level += blocks[i].level;
        variances.push_back(blocks[i].variance);
      }
      level /= static_cast<double>(count);
      const auto nth = variances.begin() + static_cast<ptrdiff_t>(kQuantile * static_cast<double>(count));
      std::nth_element(variances.begin(), nth, variances.end());
      const double distance = level - box.mean;
      // At the box's own level the slope says nothing.
      if (std::abs(distance) > 0.05 * box.mean) {
        slopes.push_back(
            {(*nth / quantile - box.variance) / distance, std::abs(distance) * std::sqrt(static_cast<double>(count))});
      }
    }
    begin = end;
  }
  if (slopes.empty()) return kPhotonGuess * most;
  return std::clamp(WeightedMedian(std::move(slopes)), 0.0, kMostPhoton * most);
}

// Spectrum of the stabilised opponent planes of the box.
NoiseSpectrum MeasureSpectrum(const NoiseCurves& curves, const std::array<std::vector<float>, 3>& rgb, int width,
                              int height) {
  std::array<std::vector<float>, 3> yuv;
  for (auto& plane : yuv) plane.resize(rgb[0].size());
  const float* const in[3] = {rgb[0].data(), rgb[1].data(), rgb[2].data()};
  float* const out[3] = {yuv[0].data(), yuv[1].data(), yuv[2].data()};
  EvenNoiseRow(curves, in, static_cast<int>(rgb[0].size()), out);
  NoiseSpectrum spectrum;
  for (auto& plane : yuv) {
    RemoveQuadratic(&plane, width, height);
    for (double n : MeanSpectrum(plane, width, height)) {
      spectrum.push_back(std::max(static_cast<float>(n), kLeastSpectrum));
    }
  }
  return spectrum;
}

}  // namespace

std::vector<float> NoiseMeasurement::ToNumbers() const {
  std::vector<float> numbers;
  for (const NoiseCurve& n : curves) numbers.push_back(n.a);
  for (const NoiseCurve& n : curves) numbers.push_back(n.b);
  numbers.insert(numbers.end(), spectrum.begin(), spectrum.end());
  return numbers;
}

absl::StatusOr<NoiseMeasurement> NoiseMeasurement::FromNumbers(const std::vector<float>& numbers) {
  constexpr size_t kCount = 6 + 3 * 64;
  if (numbers.size() != kCount) {
    return absl::InvalidArgumentError(
        absl::StrCat("a noise profile has ", kCount, " numbers, this one ", numbers.size()));
  }
  NoiseMeasurement m;
  for (size_t i = 0; i < kCount; ++i) {
    const bool valid = std::isfinite(numbers[i]) && (i < 6 ? numbers[i] >= 0 : numbers[i] > 0);
    if (!valid) return absl::InvalidArgumentError(absl::StrCat("number ", i, " of the noise profile is ", numbers[i]));
  }
  for (int c = 0; c < 3; ++c) m.curves[c] = {numbers[c], numbers[3 + c]};
  m.spectrum.assign(numbers.begin() + 6, numbers.end());
  return m;
}

bool NoiseMeasurement::none() const {
  return std::all_of(curves.begin(), curves.end(), [](const NoiseCurve& n) { return n.a == 0 && n.b == 0; });
}

absl::StatusOr<NoiseMeasurement> MeasureNoise(const Picture& picture, const Rect& box) {
  if (box.width() < kBlock || box.height() < kBlock) {
    return absl::InvalidArgumentError(
        absl::StrCat("the noise box is ", box.width(), " x ", box.height(), " pixels, at least 8 x 8 are needed"));
  }
  const Rect& r = picture.rect();
  if (!r.Contains(box)) {
    return absl::InvalidArgumentError(absl::StrCat("the noise box (x ", box.x0, " to ", box.x1, ", y ", box.y0, " to ",
                                                   box.y1, ") is not inside the picture (x ", r.x0, " to ", r.x1,
                                                   ", y ", r.y0, " to ", r.y1, ")"));
  }
  NoiseMeasurement result;
  std::array<std::vector<float>, 3> rgb;
  for (int c = 0; c < 3; ++c) {
    rgb[c] = Cut(picture.planes[c], box);
    if (!std::all_of(rgb[c].begin(), rgb[c].end(), [](float v) { return std::isfinite(v); })) {
      return absl::InvalidArgumentError("the noise box holds pixels that are not finite");
    }
    const BoxNoise noise = MeasureBox(rgb[c], box.width(), box.height());
    const double a = PhotonSlope(MeasureBlocks(picture.planes[c], noise), noise);
    result.curves[c] = {static_cast<float>(a), static_cast<float>(std::max(noise.variance - a * noise.mean, 0.0))};
  }
  if (!result.none()) result.spectrum = MeasureSpectrum(result.curves, rgb, box.width(), box.height());
  return result;
}

}  // namespace selvage::worker
