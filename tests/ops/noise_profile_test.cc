#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "absl/strings/str_cat.h"
#include "proto/ops/internal.pb.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"
#include "tests/testing/simd_targets.h"
#include "worker/kernels/motion/noise.h"

namespace selvage::worker {
namespace {

using testing::AddNoise;
using ::testing::HasSubstr;
using testing::MovingScene;
using testing::SyntheticNoise;

constexpr Rect kBox = {6, 100, 54, 148};

MovingScene SceneWithScreen(uint64_t seed) {
  MovingScene scene;
  scene.screen_width = 60;
  scene.seed = seed;
  return scene;
}

OpTester Tester(Picture picture, const Rect& box) {
  return OpTester(absl::StrCat("noise_profile { box { x: ", box.x0, " y: ", box.y0, " width: ", box.width(),
                               " height: ", box.height(), " } }"))
      .Main(std::move(picture));
}

NoiseMeasurement Measured(const Picture& picture, const Rect& box = kBox) {
  const absl::StatusOr<std::string> blob = Tester(picture, box).RenderBlob();
  EXPECT_TRUE(blob.ok()) << blob.status();
  Measurement message;
  EXPECT_TRUE(message.ParseFromString(*blob));
  const auto noise = NoiseMeasurement::FromNumbers({message.values().begin(), message.values().end()});
  EXPECT_TRUE(noise.ok()) << noise.status();
  return *noise;
}

// Sigma measured over sigma true, over channels and levels from shadow to light.
struct SigmaError {
  double low = 1, high = 1;
  double squares = 0;
  int count = 0;
  double Rms() const { return std::sqrt(squares / count); }
};
SigmaError SigmaErrors(const SyntheticNoise& truth) {
  SigmaError error;
  for (uint64_t seed : {1, 2, 3, 4}) {
    const NoiseMeasurement m = Measured(AddNoise(SceneWithScreen(seed).Truth(0), truth, seed));
    for (const NoiseCurve& n : m.curves) {
      for (double level : {0.05, 0.1, 0.2, 0.4, 0.6}) {
        const double ratio = std::sqrt((n.a * level + n.b) / (truth.a * level + truth.b));
        error.low = std::min(error.low, ratio);
        error.high = std::max(error.high, ratio);
        error.squares += (ratio - 1) * (ratio - 1);
        ++error.count;
      }
    }
  }
  return error;
}

// One box splits into photon and read-out noise only with the help of the rest
// of the frame: taken all as photon noise, or all as read-out noise, sigma would
// be off by up to 54 %.
TEST(NoiseProfile, SigmaOfWhiteNoiseIsWithinAFewPercentAtAllLevels) {
  for (const SyntheticNoise& noise : {SyntheticNoise{2e-4, 1e-5}, {6e-4, 4e-5}, {2e-3, 1e-4}}) {
    const SigmaError error = SigmaErrors(noise);
    EXPECT_LT(error.Rms(), 0.08) << noise.a;
    EXPECT_GT(error.low, 0.85) << noise.a;
    EXPECT_LT(error.high, 1.25) << noise.a;
  }
}

// Too high a sigma costs a filter less than too low a one.
TEST(NoiseProfile, SigmaOfCorrelatedNoiseErrsHighIfAtAll) {
  for (const SyntheticNoise& noise : {SyntheticNoise{6e-4, 4e-5, 0.6}, {2e-3, 1e-4, 0.6}}) {
    const SigmaError error = SigmaErrors(noise);
    EXPECT_LT(error.Rms(), 0.11) << noise.a;
    EXPECT_GT(error.low, 0.88) << noise.a;
    EXPECT_LT(error.high, 1.40) << noise.a;
  }
}

TEST(NoiseProfile, SpectrumOfWhiteNoiseIsOne) {
  const NoiseMeasurement m = Measured(AddNoise(SceneWithScreen(4).Truth(0), {}, 4));
  for (int p = 0; p < 3; ++p) {
    double sum = 0;
    for (int k = 1; k < 64; ++k) sum += m.spectrum[64 * p + k];
    EXPECT_NEAR(sum / 63, 1, 0.1) << p;
  }
}

// Blurring white noise by a Gaussian multiplies its power at frequency w by
// exp(-w^2 sigma^2); blurred at unchanged variance, low frequencies gain.
TEST(NoiseProfile, SpectrumOfBlurredNoiseFalls) {
  const NoiseMeasurement m = Measured(AddNoise(SceneWithScreen(5).Truth(0), {6e-4, 4e-5, 0.6}, 5));
  for (int p = 0; p < 3; ++p) {
    const float* n = &m.spectrum[64 * p];
    // Diagonal (4, 4): w = pi/2 both ways, exp(-2 * 0.36 * (pi/2)^2) of the power at 0.
    const double low = (n[1] + n[8] + n[9]) / 3, middle = (n[4 * 8 + 4] + n[3 * 8 + 5] + n[5 * 8 + 3]) / 3;
    EXPECT_NEAR(middle / low, 0.19, 0.09) << p;
    EXPECT_LT(n[63], 0.2 * middle) << p;
  }
}

TEST(NoiseProfile, EvenBoxHasNoNoise) {
  const NoiseMeasurement m = Measured(MakeConstant(OPAQUE, {0, 0, 64, 64}, 0.25f), {0, 0, 48, 48});
  EXPECT_TRUE(m.none());
  for (float n : m.spectrum) EXPECT_EQ(n, 1);
}

TEST(NoiseProfile, BoxOfEightPixelsIsEnough) {
  const NoiseMeasurement m = Measured(AddNoise(SceneWithScreen(6).Truth(0), {}, 6), {10, 30, 18, 38});
  EXPECT_FALSE(m.none());
}

TEST(NoiseProfile, BadBoxesAreRefusedInWords) {
  const Picture picture = AddNoise(SceneWithScreen(1).Truth(0), {}, 1);
  const auto small = Tester(picture, {0, 0, 7, 48}).RenderBlob();
  EXPECT_EQ(small.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(small.status().message()), HasSubstr("7 x 48"));
  const auto outside = Tester(picture, {300, 0, 340, 48}).RenderBlob();
  EXPECT_EQ(outside.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(outside.status().message()), HasSubstr("not inside the picture"));
  Picture bad = picture;
  bad.planes[1] = picture.planes[1];
  bad.planes[1].at(20, 120) = INFINITY;
  EXPECT_EQ(Tester(bad, kBox).RenderBlob().status().code(), absl::StatusCode::kInvalidArgument);
}

TEST(NoiseProfile, EveryTargetGivesTheSameBytes) {
  const Picture picture = AddNoise(SceneWithScreen(7).Truth(0), {}, 7);
  const OpTester tester = Tester(picture, kBox);
  const std::string expected = *tester.RenderBlob();
  ForEverySimdTarget([&] { EXPECT_EQ(*tester.RenderBlob(), expected); });
}

TEST(NoiseProfile, NumbersComeBackAsTheyWere) {
  NoiseMeasurement m;
  m.curves = {{{1, 2}, {3, 4}, {5, 6}}};
  m.spectrum[100] = 7;
  const auto back = NoiseMeasurement::FromNumbers(m.ToNumbers());
  ASSERT_TRUE(back.ok());
  EXPECT_EQ(back->ToNumbers(), m.ToNumbers());
  EXPECT_FALSE(NoiseMeasurement::FromNumbers({1, 2, 3}).ok());
  std::vector<float> negative = m.ToNumbers();
  negative[4] = -1;
  EXPECT_FALSE(NoiseMeasurement::FromNumbers(negative).ok());
}

TEST(EvenBox, IsFoundOnTheScreen) {
  for (uint64_t seed : {1, 2, 3}) {
    MovingScene scene = SceneWithScreen(seed);
    scene.screen_width = 90;
    const auto box = FindEvenBox(AddNoise(scene.Truth(0), {}, seed));
    ASSERT_TRUE(box.ok());
    EXPECT_LE(box->x1, 90) << seed;
    EXPECT_EQ(box->width(), 48);
  }
}

TEST(EvenBox, PictureWithoutNoiseHasNone) {
  const auto box = FindEvenBox(MakeConstant(OPAQUE, {0, 0, 64, 64}, 0.0f));
  ASSERT_TRUE(box.ok());
  EXPECT_TRUE(box->empty());
  EXPECT_FALSE(FindEvenBox(MakeConstant(OPAQUE, {0, 0, 7, 64}, 0.0f)).ok());
}

}  // namespace
}  // namespace selvage::worker
