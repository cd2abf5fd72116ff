#include "worker/kernels/motion/motion_pair.h"

#include <gtest/gtest.h>

#include <cmath>

#include "proto/ops/internal.pb.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

using testing::MovingScene;
using testing::Texture;

LumaPyramid Pyramid(const Rect& window, const std::function<double(int x, int y)>& luma) {
  return LumaPyramid(window, [&](int y, int16_t* row) {
    for (int x = window.x0; x < window.x1; ++x) row[x - window.x0] = static_cast<int16_t>(std::lround(luma(x, y)));
  });
}
LumaPyramid Moved(const Rect& window, double dx, double dy) {
  return Pyramid(window, [=](int x, int y) { return 600 * Texture(x - dx, y - dy, 3); });
}

constexpr Rect kWindow = {-13, 5, 150, 120};

TEST(MotionPair, HoldsTheMotionBothWays) {
  const LumaPyramid here = Moved(kWindow, 0, 0), there = Moved(kWindow, 6, -3);
  const MotionPair pair = EstimateBothWays(here, there);
  EXPECT_EQ(pair.there.vectors, EstimateMotion(here, there));
  EXPECT_EQ(pair.back.vectors, EstimateMotion(there, here));
  EXPECT_NEAR(pair.there.vectors.At(8, 8).x, 24, 1);
  EXPECT_NEAR(pair.back.vectors.At(8, 8).x, -24, 1);
}

TEST(MotionPair, GripIsAcrossEdgesAndNoneWhereThePictureIsEven) {
  const auto grip = [](const std::function<double(int, int)>& luma) {
    const LumaPyramid picture = Pyramid({0, 0, 128, 128}, luma);
    return EstimateBothWays(picture, picture).there.GripAt(8, 8);
  };
  EXPECT_EQ(grip([](int, int) { return 500.0; }), Grip());
  const Grip upright = grip([](int x, int) { return x < 68 ? 0.0 : 2000.0; });
  EXPECT_GT(upright.xx, 1000);
  EXPECT_EQ(upright.yy, 0);
  EXPECT_EQ(upright.xy, 0);
  const Grip lying = grip([](int, int y) { return y < 68 ? 0.0 : 2000.0; });
  EXPECT_EQ(lying.yy, upright.xx);
  EXPECT_EQ(lying.xx, 0);
  // Along (1, -1) nothing changes.
  const Grip slanted = grip([](int x, int y) { return 20.0 * (x + y); });
  EXPECT_GT(slanted.xy, 0);
  EXPECT_EQ(slanted.xx, slanted.yy);
  EXPECT_EQ(slanted.xy, slanted.xx);
  const Grip falling = grip([](int x, int y) { return 20.0 * (x - y); });
  EXPECT_EQ(falling.xy, -slanted.xy);
}

// A half-size ramp of 40 a pixel: the square of twice that, in units of 32.
TEST(MotionPair, GripIsTheMeanSquaredGradient) {
  const LumaPyramid picture = Pyramid({0, 0, 128, 128}, [](int x, int) { return 20.0 * x; });
  EXPECT_EQ(EstimateBothWays(picture, picture).there.GripAt(8, 8).xx, 80 * 80 / 32);
}

// Noise of 16 steps, as LumaOf scales it: [1 3 3 1]/8 both ways leaves 5, the
// difference of two such has a variance of 50, in units of 32.
TEST(MotionPair, NoiseAloneHasAGripOfAboutTwo) {
  testing::Random random(5);
  const LumaPyramid picture = Pyramid({0, 0, 256, 256}, [&](int, int) { return 16 * random.Gaussian(); });
  const MotionPair pair = EstimateBothWays(picture, picture);
  double xx = 0, yy = 0;
  int cells = 0;
  for (int j = 2; j < 30; ++j) {
    for (int i = 2; i < 30; ++i, ++cells) {
      xx += pair.there.GripAt(i, j).xx;
      yy += pair.there.GripAt(i, j).yy;
    }
  }
  // Rounded down, so a little less than 50 / 32.
  EXPECT_NEAR(xx / cells, 50.0 / 32 - 0.5, 0.3);
  EXPECT_NEAR(yy / cells, 50.0 / 32 - 0.5, 0.3);
}

TEST(MotionPair, LargeGradientsStayInRange) {
  const LumaPyramid picture =
      Pyramid({0, 0, 128, 128}, [](int x, int y) { return ((x >> 2) + (y >> 2)) & 1 ? 16383.0 : -16383.0; });
  const Grip grip = EstimateBothWays(picture, picture).there.GripAt(8, 8);
  EXPECT_GE(grip.xx, 0);
  EXPECT_LE(grip.xx, 1023 * 1023 / 32);
  EXPECT_LE(std::abs(grip.xy), 1023 * 1023 / 32);
}

TEST(MotionPair, IsReadAsItWasWritten) {
  const MotionPair pair = EstimateBothWays(Moved(kWindow, 0, 0), Moved(kWindow, -7.25, 11));
  const auto read = DecodeMotion(EncodeMotion(pair));
  ASSERT_TRUE(read.ok()) << read.status();
  EXPECT_EQ(*read, pair);
}

TEST(MotionPair, OtherBytesAreRefused) {
  const MotionPair pair = EstimateBothWays(Moved({0, 0, 40, 40}, 0, 0), Moved({0, 0, 40, 40}, 1, 0));
  const std::string good = EncodeMotion(pair);
  const auto refused = [](std::string bytes) {
    const auto read = DecodeMotion(bytes);
    return read.status().code() == absl::StatusCode::kDataLoss;
  };
  for (size_t n : {size_t{0}, size_t{1}, size_t{16}, size_t{17}, good.size() - 1})
    EXPECT_TRUE(refused(good.substr(0, n))) << n;
  EXPECT_TRUE(refused(good + "x"));
  std::string other = good;
  other[0] = 2;
  EXPECT_TRUE(refused(other)) << "version";
  // Sides that are empty, or far larger than the bytes: nothing is allocated for them.
  for (int at : {1, 5, 9, 13}) {
    for (const char* number : {"\x00\x00\x00\x7f", "\x00\x00\x00\x80", "\xff\xff\xff\xff"}) {
      other = good;
      other.replace(at, 4, number, 4);
      EXPECT_TRUE(refused(other)) << at;
    }
  }
}

std::string FieldOf(const Picture& a, const Picture& b) {
  const auto blob = OpTester("motion_field { to: 'next' }").Main(a).With("to", b).RenderBlob();
  EXPECT_TRUE(blob.ok()) << blob.status();
  Measurement measurement;
  EXPECT_TRUE(measurement.ParseFromString(*blob));
  return measurement.motion();
}

TEST(MotionField, TellsTheMotionOfAPicture) {
  MovingScene scene;
  const auto pair = DecodeMotion(FieldOf(scene.Truth(0), scene.Truth(1)));
  ASSERT_TRUE(pair.ok());
  EXPECT_EQ(pair->there.vectors.cells(), (Rect{0, 0, 40, 30}));
  // The middle of the disc, and the same looked at from the later frame.
  EXPECT_NEAR(pair->there.vectors.At(20, 15).x, 4 * scene.foreground_x, 1);
  EXPECT_NEAR(pair->there.vectors.At(20, 15).y, 4 * scene.foreground_y, 1);
  EXPECT_NEAR(pair->back.vectors.At(21, 14).x, -4 * scene.foreground_x, 1);
}

TEST(MotionField, HasTheSameBytesOnEveryTarget) {
  MovingScene scene;
  const Picture a = scene.Truth(0), b = scene.Truth(1);
  const std::string first = FieldOf(a, b);
  ForEverySimdTarget([&] { EXPECT_EQ(FieldOf(a, b), first); });
}

TEST(MotionField, BadSamplesAreNoMotion) {
  for (Kind kind : {OPAQUE, STRAIGHT, PREMULTIPLIED}) {
    const Picture bad = MakeBadPicture(kind, {0, 0, 80, 64}, 1);
    const auto pair = DecodeMotion(FieldOf(bad, bad));
    ASSERT_TRUE(pair.ok());
    EXPECT_EQ(pair->there.vectors, VectorField({0, 0, 10, 8}));
  }
}

}  // namespace
}  // namespace selvage::worker
