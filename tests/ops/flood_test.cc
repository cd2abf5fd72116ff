#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

TEST(Flood, IsTheColourEverywhere) {
  const Picture p = OpTester("flood { color { r: 0.25 g: -1 b: 7 } alpha { value: 0.5 } }").Render();
  EXPECT_EQ(p.kind, OPAQUE);
  EXPECT_EQ(p.rect(), (Rect{-7, 3, 144, 99}));
  const float known[] = {0.25f, -1.0f, 7.0f, 1.0f};
  for (int c = 0; c < 4; ++c) EXPECT_EQ(p.planes[c].constant, known[c]);
}

TEST(Flood, PremultipliedIsMultipliedByAlpha) {
  const Picture p =
      OpTester("flood { color { r: 0.5 g: 1 b: 2 } alpha { value: 0.25 } as: FLOOD_PREMULTIPLIED }").Render();
  EXPECT_EQ(p.kind, PREMULTIPLIED);
  const float known[] = {0.125f, 0.25f, 0.5f, 0.25f};
  for (int c = 0; c < 4; ++c) EXPECT_EQ(p.planes[c].at(20, 20), known[c]);
}

TEST(Flood, MatteUsesAlphaAlone) {
  const Picture p = OpTester("flood { color { r: 0.5 g: 1 b: 2 } alpha { value: 0.25 } as: FLOOD_MATTE }").Render();
  EXPECT_EQ(p.kind, MATTE);
  ASSERT_EQ(p.planes.size(), 1u);
  EXPECT_EQ(p.planes[0].constant, 0.25f);
}

TEST(Flood, Laws) { OpTester("flood { color { r: 0.3 g: 0.2 b: 0.1 } }").CheckLaws(); }

}  // namespace
}  // namespace selvage::worker
