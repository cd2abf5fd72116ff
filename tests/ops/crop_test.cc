#include <gtest/gtest.h>

#include <limits>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{-7, 3, 90, 71};

OpTester Cropped(const std::string& edges) { return OpTester("crop { " + edges + " }"); }
const char kWhole[] = "left { value: 10 } top { value: 20 } right { value: 50 } bottom { value: 44 }";

TEST(Crop, KeepsTheLawsOfAllOperators) {
  Cropped(kWhole).CheckLaws();
  Cropped("left { value: 10.25 } top { value: -20 } right { value: 50.5 } bottom { value: 44.125 }").CheckLaws();
  Cropped("").CheckLaws();
}

TEST(Crop, NoEdgesIsTheIdentity) { Cropped("").CheckIdentity(); }

TEST(Crop, InsideStaysToTheBitOutsideIsZero) {
  for (Kind kind : {MATTE, STRAIGHT, PREMULTIPLIED}) {
    const Picture in = MakeBadPicture(kind, kRect);
    const Picture out = Cropped(kWhole).Main(in).Render();
    const size_t alpha = in.planes.size() - 1;
    for (size_t c = 0; c <= alpha; ++c) {
      for (int y = kRect.y0; y < kRect.y1; ++y) {
        for (int x = kRect.x0; x < kRect.x1; ++x) {
          const bool kept = x >= 10 && x < 50 && y >= 20 && y < 44;
          const float was = in.planes[c].at(x, y), is = out.planes[c].at(x, y);
          if (kept || (kind == STRAIGHT && c < alpha)) {
            ASSERT_TRUE(was == is || (was != was && is != is)) << c << " at " << x << ", " << y;
          } else {
            ASSERT_EQ(is, 0.0f) << c << " at " << x << ", " << y;
          }
        }
      }
    }
  }
}

// Exact area of the rectangle, whatever its edges: the sum of a cropped matte of ones.
TEST(Crop, AreaIsThatOfTheRectangle) {
  struct {
    double left, top, right, bottom;
  } edges[] = {{10.25, 20.5, 50.75, 44.125}, {10.25, 20.5, 10.5, 20.75}, {30, 30, 30, 60}, {3.5, 4, 60, 4.25}};
  for (const auto& e : edges) {
    const Picture out = Cropped("left { value: " + std::to_string(e.left) + " } top { value: " + std::to_string(e.top) +
                                " } right { value: " + std::to_string(e.right) +
                                " } bottom { value: " + std::to_string(e.bottom) + " }")
                            .Main(MakeConstant(MATTE, kRect, 1))
                            .Render();
    double area = 0;
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) area += out.planes[0].at(x, y);
    }
    EXPECT_NEAR(area, (e.right - e.left) * (e.bottom - e.top), 1e-4);
  }
}

TEST(Crop, OpaqueColourGetsTheRectangleAsAlpha) {
  const Picture out = Cropped(kWhole).Main(MakePicture(OPAQUE, kRect)).Render();
  EXPECT_EQ(out.kind, STRAIGHT);
  EXPECT_EQ(out.planes[3].at(10, 20), 1.0f);
  EXPECT_EQ(out.planes[3].at(9, 20), 0.0f);
}

}  // namespace
}  // namespace selvage::worker
