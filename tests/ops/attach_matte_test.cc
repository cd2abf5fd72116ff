#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

TEST(AttachMatte, PutsTheMatteIntoAlphaAndKeepsColour) {
  const Rect rect{0, 0, 40, 20};
  for (Kind kind : {OPAQUE, STRAIGHT}) {
    const Picture in = MakePicture(kind, rect, 1), matte = MakePicture(MATTE, rect, 2);
    const Picture out = OpTester("attach_matte { matte: 'm' }").Main(in).With("matte", matte).Render();
    EXPECT_EQ(out.kind, STRAIGHT);
    Picture expected = in;
    expected.kind = STRAIGHT;
    expected.planes[3] = matte.planes[0];
    EXPECT_TRUE(SameBits(out, expected));
  }
}

TEST(AttachMatte, SmallerMatteRepeatsItsEdge) {
  const Picture in = MakePicture(OPAQUE, {0, 0, 40, 20});
  Picture matte = MakePicture(MATTE, {5, 5, 30, 15});
  const Picture out = OpTester("attach_matte { matte: 'm' }").Main(in).With("matte", matte).Render();
  EXPECT_EQ(out.planes[3].at(0, 10), matte.planes[0].at(5, 10));
  EXPECT_EQ(out.planes[3].at(39, 19), matte.planes[0].at(29, 14));
}

TEST(AttachMatte, Laws) { OpTester("attach_matte { matte: 'm' }").CheckLaws(); }

}  // namespace
}  // namespace selvage::worker
