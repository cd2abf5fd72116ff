#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 20, 10};

TEST(Without, MultipliesByWhatTheMaskLeaves) {
  for (Kind kind : {MATTE, STRAIGHT, PREMULTIPLIED}) {
    const Picture in = MakeConstant(kind, kRect, 0.5f);
    const Picture out =
        OpTester("without { mask: 'm' }").Main(in).With("mask", MakeConstant(MATTE, kRect, 0.25f)).Render();
    for (size_t c = 0; c < out.planes.size(); ++c) {
      const bool touched = kind != STRAIGHT || c == 3;
      EXPECT_EQ(out.planes[c].at(3, 3), in.planes[c].at(3, 3) * (touched ? 0.75f : 1.0f));
    }
  }
}

TEST(Without, EmptyMaskIsTheIdentity) {
  for (Kind kind : {MATTE, STRAIGHT, PREMULTIPLIED}) {
    OpTester("without { mask: 'm' }")
        .Main(MakePicture(kind, kRect))
        .With("mask", MakeConstant(MATTE, kRect, 0))
        .CheckIdentity();
  }
}

TEST(Without, Laws) { OpTester("without { mask: 'm' }").CheckLaws(); }

}  // namespace
}  // namespace selvage::worker
