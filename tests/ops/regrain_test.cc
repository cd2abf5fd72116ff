#include <gtest/gtest.h>

#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 160, 120};

Picture EvenPlate() {
  Picture p;
  p.kind = OPAQUE;
  for (float v : {0.2f, 0.5f, 0.3f, 1.0f}) p.planes.push_back(Plane::Filled(kRect, v));
  return p;
}

double Variance(const Plane& p) {
  double sum = 0, squares = 0;
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) {
      sum += p.at(x, y);
      squares += static_cast<double>(p.at(x, y)) * p.at(x, y);
    }
  }
  const double n = static_cast<double>(kRect.area());
  return squares / n - sum / n * sum / n;
}

struct Grains {
  Picture plate, clean, grain;
};
Grains Degrained() {
  Grains g;
  g.plate = testing::AddNoise(EvenPlate(), {}, 7);
  g.plate.planes[3] = Plane::Filled(kRect, 1.0f);
  const std::string noise = "window: 0 profile { a { r: 6e-4 g: 6e-4 b: 6e-4 } b { r: 4e-5 g: 4e-5 b: 4e-5 } }";
  g.clean = OpTester("degrain { " + noise + " }").Main(g.plate).Render();
  g.grain = OpTester("degrain { grain: true " + noise + " }").Main(g.plate).Render();
  return g;
}

TEST(Regrain, KeepsTheLawsOfAllOperators) {
  OpTester("regrain { grain: 'g' }").CheckLaws();
  OpTester("regrain { grain: 'g' amount { value: 0.4 } mask: 'm' }").CheckLaws();
}

TEST(Regrain, AmountZeroAndMaskZeroAreTheIdentity) {
  OpTester("regrain { grain: 'g' amount { value: 0 } }").CheckIdentity();
  OpTester("regrain { grain: 'g' mask: 'm' }")
      .Main(MakePicture(STRAIGHT, kRect))
      .With("mask", MakeConstant(MATTE, kRect, 0))
      .CheckIdentity();
}

// What degrain took away comes back: the plate's variance, and the plate.
TEST(Regrain, VarianceAfterIsThatOfThePlate) {
  const Grains g = Degrained();
  const Picture out = OpTester("regrain { grain: 'g' }").Main(g.clean).With("grain", g.grain).Render();
  for (int c = 0; c < 3; ++c) {
    const double before = Variance(g.plate.planes[c]);
    EXPECT_LT(Variance(g.clean.planes[c]), 0.1 * before);
    EXPECT_NEAR(Variance(out.planes[c]), before, 1e-3 * before);
    for (int x = 0; x < kRect.x1; ++x) ASSERT_NEAR(out.planes[c].at(x, 50), g.plate.planes[c].at(x, 50), 1e-6);
  }
}

// Standard deviation goes with the amount.
TEST(Regrain, HalfTheAmountIsAQuarterOfTheVariance) {
  const Grains g = Degrained();
  const Picture out =
      OpTester("regrain { grain: 'g' amount { value: 0.5 } }").Main(EvenPlate()).With("grain", g.grain).Render();
  for (int c = 0; c < 3; ++c) {
    EXPECT_NEAR(Variance(out.planes[c]), 0.25 * Variance(g.grain.planes[c]), 1e-3 * Variance(g.grain.planes[c]));
  }
}

TEST(Regrain, PremultipliedColourGetsGrainByItsOwnAlpha) {
  const Picture in = MakePicture(PREMULTIPLIED, kRect), grain = MakePicture(OPAQUE, kRect, 9);
  const Picture out = OpTester("regrain { grain: 'g' }").Main(in).With("grain", grain).Render();
  for (int c = 0; c < 3; ++c) {
    for (int x = 0; x < kRect.x1; ++x) {
      const float a = in.planes[3].at(x, 50);
      ASSERT_EQ(out.planes[c].at(x, 50), in.planes[c].at(x, 50) + a * grain.planes[c].at(x, 50));
    }
  }
}

TEST(Regrain, BeyondTheGrainsWindowNothingIsAdded) {
  const Picture in = MakePicture(STRAIGHT, kRect);
  const Picture out =
      OpTester("regrain { grain: 'g' }").Main(in).With("grain", MakeConstant(OPAQUE, {0, 0, 80, 120}, 0.1f)).Render();
  EXPECT_EQ(out.planes[1].at(80, 10), in.planes[1].at(80, 10));
  EXPECT_NE(out.planes[1].at(79, 10), in.planes[1].at(79, 10));
}

}  // namespace
}  // namespace selvage::worker
