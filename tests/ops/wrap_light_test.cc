#include <gtest/gtest.h>

#include <cmath>

#include "absl/strings/str_cat.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 150, 110};

float Alpha(int x, int y) {
  return static_cast<float>(std::clamp((40 - std::hypot(x - 70.0, y - 55.0)) / 3, 0.0, 1.0));
}
// A soft disc; its colour is `light` times that of MakePicture.
Picture Front(float light) {
  Picture p = MakePicture(PREMULTIPLIED, kRect);
  const Picture color = MakePicture(OPAQUE, kRect);
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      const float a = Alpha(x, y);
      for (int c = 0; c < 3; ++c) p.planes[c].at(x, y) = a * std::clamp(light * color.planes[c].at(x, y), 0.0f, light);
      p.planes[3].at(x, y) = a;
    }
  }
  return p;
}

OpTester Wrap(double width, double amount) {
  return OpTester(
      absl::StrCat("wrap_light { background: 'bg' sigma { value: ", width, " } amount { value: ", amount, " } }"));
}
Plane Soft(const Plane& plane, double sigma) {
  Picture p;
  p.kind = MATTE;
  p.planes.push_back(plane);
  return OpTester(absl::StrCat("soften { sigma { value: ", sigma, " } }")).Main(p).Render().planes[0];
}

TEST(WrapLight, KeepsTheLawsOfAllOperators) {
  Wrap(2, 0.7).CheckLaws();
  Wrap(0.5, 10).CheckLaws();
}

TEST(WrapLight, AmountZeroIsTheIdentity) { Wrap(4, 0).CheckIdentity(); }

// At most w x A is added anywhere, with w from the softened parts, and nothing is
// taken away; alpha is the input's.
TEST(WrapLight, EnergyIsBounded) {
  for (float brightness : {0.4f, 5.0f}) {
    const Picture front = Front(0.8f), background = MakeConstant(OPAQUE, kRect, brightness);
    const Picture out = Wrap(5, 1.5).Main(front).With("background", background).Render();
    const Plane open = Soft(front.planes[3], 5);
    double added = 0;
    for (int c = 0; c < 3; ++c) {
      for (int y = 0; y < kRect.y1; ++y) {
        for (int x = 0; x < kRect.x1; ++x) {
          const double more = out.planes[c].at(x, y) - front.planes[c].at(x, y);
          const double most = 1.5 * background.planes[c].at(x, y) * (1 - open.at(x, y)) * Alpha(x, y);
          ASSERT_GE(more, 0);
          ASSERT_LE(more, most * (1 + 1e-5) + 1e-6);
          added += more;
        }
      }
    }
    EXPECT_GT(added, 10);
    for (int x = 0; x < kRect.x1; ++x) ASSERT_EQ(out.planes[3].at(x, 50), front.planes[3].at(x, 50));
  }
}

// Screen blending: below white nothing passes A, whatever the amount.
TEST(WrapLight, NeverBeyondAlphaBelowWhite) {
  const Picture out = Wrap(5, 1).Main(Front(1)).With("background", MakeConstant(OPAQUE, kRect, 0.66f)).Render();
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) ASSERT_LE(out.planes[c].at(x, y), Alpha(x, y) + 1e-6f);
    }
  }
}

// Straight colour F and light w give F + w - F w: screen blending.
TEST(WrapLight, IsScreenBlendingOfTheStraightColour) {
  const Picture front = Front(0.8f), background = MakeConstant(OPAQUE, kRect, 0.5f);
  const Picture out = Wrap(3, 0.9).Main(front).With("background", background).Render();
  const Plane open = Soft(front.planes[3], 3);
  for (int x = 0; x < kRect.x1; ++x) {
    const double a = Alpha(x, 55);
    if (a == 0) continue;
    const double f = front.planes[1].at(x, 55) / a;
    const double w = 0.9 * background.planes[1].at(x, 55) * (1 - open.at(x, 55));
    EXPECT_NEAR(out.planes[1].at(x, 55), a * (f + w - f * w), 1e-6);
  }
}

TEST(WrapLight, InsideAndOutsideStayToTheBit) {
  const Picture front = Front(0.8f);
  const Picture out = Wrap(3, 2).Main(front).With("background", MakePicture(OPAQUE, kRect, 4)).Render();
  int changed = 0;
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) {
        const bool far = std::hypot(x - 70.0, y - 55.0) < 37 - 1.5 * 12;
        if (far || Alpha(x, y) == 0) {
          ASSERT_EQ(out.planes[c].at(x, y), front.planes[c].at(x, y));
        } else {
          changed += out.planes[c].at(x, y) != front.planes[c].at(x, y);
        }
      }
    }
  }
  EXPECT_GT(changed, 1000);
}

}  // namespace
}  // namespace selvage::worker
