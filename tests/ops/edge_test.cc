#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 40, 20};

// 1 left of column 20, and a ramp of four pixels there if soft.
Picture HalfPlane(bool soft) {
  Picture p = MakeConstant(MATTE, kRect, 0);
  p.planes[0].constant.reset();
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      const float ramp = std::min(1.0f, std::max(0.0f, (22.0f - static_cast<float>(x) - 0.5f) / 4));
      p.planes[0].at(x, y) = soft ? ramp : x < 20 ? 1.0f : 0.0f;
    }
  }
  return p;
}

TEST(Edge, Laws) {
  OpTester("edge {}").CheckLaws();
  OpTester("edge { inside { value: 3.4 } outside { value: 0 } sigma { value: 0 } }").CheckLaws();
}

TEST(Edge, GoesOnAsFarAsAskedToEitherSide) {
  const Picture out =
      OpTester("edge { inside { value: 3 } outside { value: 5 } sigma { value: 0 } }").Main(HalfPlane(false)).Render();
  for (int x = 0; x < 40; ++x) EXPECT_EQ(out.planes[0].at(x, 10), x >= 17 && x < 25 ? 1.0f : 0.0f) << x;
}

TEST(Edge, WithoutWidthItIsWhatIsSoft) {
  const Picture matte = HalfPlane(true);
  const Picture out =
      OpTester("edge { inside { value: 0 } outside { value: 0 } sigma { value: 0 } }").Main(matte).Render();
  for (int x = 0; x < 40; ++x) {
    const float m = matte.planes[0].at(x, 10);
    EXPECT_NEAR(out.planes[0].at(x, 10), m <= 0.5f ? 2 * m : 2 * (1 - m), 1e-6) << x;
  }
}

TEST(Edge, IsSoftenedBySigma) {
  const Picture out = OpTester("edge { inside { value: 4 } outside { value: 4 } sigma { value: 1.5 } }")
                          .Main(HalfPlane(false))
                          .Render();
  EXPECT_GT(out.planes[0].at(20, 10), 0.95f);
  EXPECT_NEAR(out.planes[0].at(15, 10) + out.planes[0].at(16, 10), 1, 0.02);
  EXPECT_LT(out.planes[0].at(8, 10), 0.01f);
}

}  // namespace
}  // namespace selvage::worker
