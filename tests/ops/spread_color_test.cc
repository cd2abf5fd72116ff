#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{-3, 5, 158, 122};

// A disc of core, radius 25 about (60, 60), soft over 6 px.
float CoreAt(int x, int y) {
  return static_cast<float>(std::clamp((28.0 - std::hypot(x - 60.0, y - 60.0)) / 6.0, 0.0, 1.0));
}

struct Scene {
  Picture color, core;
};
Scene Disc(bool constant_core) {
  Scene s;
  s.core.kind = MATTE;
  s.core.planes.push_back(Plane(kRect));
  s.color = MakePicture(STRAIGHT, kRect);
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) {
      const float a = CoreAt(x, y);
      s.core.planes[0].at(x, y) = a;
      if (!constant_core || a < 0.95f) continue;
      s.color.planes[0].at(x, y) = 0.5f;
      s.color.planes[1].at(x, y) = 0.3f;
      s.color.planes[2].at(x, y) = 0.1f;
    }
  }
  return s;
}

TEST(SpreadColor, KeepsTheLawsOfAllOperators) {
  OpTester("spread_color { core: 'core' }").CheckLaws();
  OpTester("spread_color { core: 'core' inset { value: 0 } amount { value: 0.5 } solid { value: 0.3 } }").CheckLaws();
}

TEST(SpreadColor, ConstantCoreColourSpreadsAsThatConstant) {
  const Scene s = Disc(true);
  const Picture out = OpTester("spread_color { core: 'core' }").Main(s.color).With("core", s.core).Render();
  const float expected[] = {0.5f, 0.3f, 0.1f};
  for (int c = 0; c < 3; ++c) {
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x)
        ASSERT_NEAR(out.planes[c].at(x, y), expected[c], 1e-6) << x << ", " << y;
    }
  }
}

TEST(SpreadColor, SolidCoreAndAlphaAreUntouchedToTheBit) {
  const Scene s = Disc(false);
  const Picture out = OpTester("spread_color { core: 'core' }").Main(s.color).With("core", s.core).Render();
  int changed = 0;
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) {
      ASSERT_EQ(out.planes[3].at(x, y), s.color.planes[3].at(x, y));
      for (int c = 0; c < 3; ++c) {
        if (CoreAt(x, y) >= 0.95f) {
          ASSERT_EQ(out.planes[c].at(x, y), s.color.planes[c].at(x, y));
        } else {
          changed += out.planes[c].at(x, y) != s.color.planes[c].at(x, y);
        }
      }
    }
  }
  EXPECT_GT(changed, 10000);
}

TEST(SpreadColor, EverythingStaysWithinTheCoresColours) {
  const Scene s = Disc(false);
  const Picture out = OpTester("spread_color { core: 'core' }").Main(s.color).With("core", s.core).Render();
  for (int c = 0; c < 3; ++c) {
    float low = 1e9f, high = -1e9f;
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) {
        if (CoreAt(x, y) < 0.95f) continue;
        low = std::min(low, s.color.planes[c].at(x, y));
        high = std::max(high, s.color.planes[c].at(x, y));
      }
    }
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) {
        ASSERT_GE(out.planes[c].at(x, y), low - 1e-6f);
        ASSERT_LE(out.planes[c].at(x, y), high + 1e-6f);
      }
    }
  }
}

TEST(SpreadColor, NearestColourWinsNearTheEdge) {
  // Red core to the left, blue core to the right: each side keeps its own.
  Scene s = Disc(false);
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) {
      const bool left = x < 40, right = x >= 110;
      s.core.planes[0].at(x, y) = left || right ? 1 : 0;
      s.color.planes[0].at(x, y) = left ? 0.9f : 0.1f;
      s.color.planes[2].at(x, y) = right ? 0.9f : 0.1f;
    }
  }
  const Picture out = OpTester("spread_color { core: 'core' }").Main(s.color).With("core", s.core).Render();
  EXPECT_NEAR(out.planes[0].at(43, 60), 0.9, 0.01);
  EXPECT_NEAR(out.planes[2].at(106, 60), 0.9, 0.01);
  for (int x = 41; x < 110; ++x) EXPECT_LE(out.planes[0].at(x, 60), out.planes[0].at(x - 1, 60) + 1e-3f) << x;
}

TEST(SpreadColor, InsetLeavesTheRimOfTheCoreOutOfTheMix) {
  // The outermost 3 px of the core are contaminated.
  Scene s = Disc(true);
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) {
      s.core.planes[0].at(x, y) = std::hypot(x - 60, y - 60) <= 25 ? 1 : 0;
      const bool rim = std::hypot(x - 60, y - 60) > 22;
      for (int c = 0; c < 3; ++c) s.color.planes[c].at(x, y) = rim ? 0.9f : 0.2f;
    }
  }
  const auto outside = [&](const std::string& inset) {
    return OpTester("spread_color { core: 'core' inset { value: " + inset + " } }")
        .Main(s.color)
        .With("core", s.core)
        .Render()
        .planes[1]
        .at(95, 60);
  };
  EXPECT_NEAR(outside("4"), 0.2, 1e-6);
  EXPECT_GT(outside("0"), 0.6);
}

TEST(SpreadColor, AmountIsAShare) {
  const Scene s = Disc(true);
  const Picture half =
      OpTester("spread_color { core: 'core' amount { value: 0.5 } }").Main(s.color).With("core", s.core).Render();
  EXPECT_NEAR(half.planes[0].at(130, 20), 0.5 * 0.5 + 0.5 * s.color.planes[0].at(130, 20), 1e-6);
  OpTester("spread_color { core: 'core' amount { value: 0 } }").Main(s.color).With("core", s.core).CheckIdentity();
}

TEST(SpreadColor, WithoutCoreNothingChanges) {
  OpTester("spread_color { core: 'core' }")
      .Main(MakePicture(STRAIGHT, kRect))
      .With("core", MakeConstant(MATTE, kRect, 0.5f))
      .CheckIdentity();
}

TEST(SpreadColor, OneBrokenPixelDoesNotSpread) {
  Scene s = Disc(true);
  s.color.planes[0].at(60, 60) = std::numeric_limits<float>::infinity();
  s.color.planes[1].at(61, 60) = std::numeric_limits<float>::quiet_NaN();
  const Picture out = OpTester("spread_color { core: 'core' }").Main(s.color).With("core", s.core).Render();
  EXPECT_NEAR(out.planes[0].at(0, 20), 0.5, 1e-6);
  EXPECT_NEAR(out.planes[1].at(0, 20), 0.3, 1e-6);
}

TEST(SpreadColor, OddAndThinPicturesWork) {
  for (const Rect& rect :
       {Rect{0, 0, 1, 1}, Rect{0, 0, 1, 37}, Rect{0, 0, 37, 1}, Rect{0, 0, 2, 3}, Rect{0, 0, 5, 5}}) {
    Picture color = MakeConstant(STRAIGHT, rect, 0.25f), core = MakeConstant(MATTE, rect, 0);
    core.planes[0].constant.reset();
    core.planes[0].at(0, 0) = 1;
    const Picture out =
        OpTester("spread_color { core: 'core' inset { value: 0 } }").Main(color).With("core", core).Render();
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) ASSERT_NEAR(out.planes[0].at(x, y), 0.25, 1e-6);
    }
  }
}

}  // namespace
}  // namespace selvage::worker
