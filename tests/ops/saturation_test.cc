#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
// Before OpenImageIO, which undefines macros that protobuf needs.
#include "tests/testing/op_tester.h"

#include <OpenImageIO/imagebuf.h>
#include <OpenImageIO/imagebufalgo.h>

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 120, 90};

OpTester Saturation(double amount) { return OpTester(absl::StrCat("saturation { amount { value: ", amount, " } }")); }

TEST(Saturation, KeepsTheLawsOfAllOperators) {
  Saturation(1.7).CheckLaws();
  OpTester("saturation { amount { value: 0 } mask: 'm' }").CheckLaws();
}

TEST(Saturation, OneIsTheIdentity) {
  Saturation(1).CheckIdentity();
  OpTester("saturation {}").CheckIdentity();
}

TEST(Saturation, IsItsFormula) {
  const Picture in = MakePicture(STRAIGHT, kRect);
  for (double amount : {0.0, 0.35, 2.5}) {
    const Picture out = Saturation(amount).Main(in).Render();
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) {
        const double light =
            0.2126 * in.planes[0].at(x, y) + 0.7152 * in.planes[1].at(x, y) + 0.0722 * in.planes[2].at(x, y);
        for (int c = 0; c < 3; ++c) {
          ASSERT_NEAR(out.planes[c].at(x, y), light + amount * (in.planes[c].at(x, y) - light), 3e-7);
        }
        ASSERT_EQ(out.planes[3].at(x, y), in.planes[3].at(x, y));
      }
    }
  }
}

TEST(Saturation, AgreesWithOpenImageIO) {
  const Picture in = MakePicture(OPAQUE, kRect);
  OIIO::ImageSpec spec(kRect.width(), kRect.height(), 3, OIIO::TypeDesc::FLOAT);
  OIIO::ImageBuf source(spec);
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      const float v[] = {in.planes[0].at(x, y), in.planes[1].at(x, y), in.planes[2].at(x, y)};
      source.setpixel(x, y, 0, v);
    }
  }
  for (double amount : {0.0, 0.4, 1.8}) {
    const OIIO::ImageBuf theirs = OIIO::ImageBufAlgo::saturate(source, static_cast<float>(amount));
    const Picture ours = Saturation(amount).Main(in).Render();
    for (int c = 0; c < 3; ++c) {
      for (int y = 0; y < kRect.y1; ++y) {
        for (int x = 0; x < kRect.x1; ++x) ASSERT_NEAR(ours.planes[c].at(x, y), theirs.getchannel(x, y, 0, c), 3e-7);
      }
    }
  }
}

TEST(Saturation, GreysStayToTheBitAndZeroIsGrey) {
  for (double amount : {0.0, 0.3, 4.0}) {
    for (float v : {0.0f, 0.18f, 0.7331f, 812.34f, -0.7f}) {
      Picture in;
      in.kind = STRAIGHT;
      for (int c = 0; c < 4; ++c) in.planes.push_back(Plane::Filled(kRect, v));
      EXPECT_TRUE(SameBits(Saturation(amount).Main(in).Render(), in)) << amount << " " << v;
    }
  }
  const Picture grey = Saturation(0).Main(MakePicture(OPAQUE, kRect)).Render();
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      ASSERT_EQ(grey.planes[0].at(x, y), grey.planes[1].at(x, y));
      ASSERT_EQ(grey.planes[2].at(x, y), grey.planes[1].at(x, y));
    }
  }
}

TEST(Saturation, MaskLimitsIt) {
  const Picture in = MakePicture(OPAQUE, kRect);
  OpTester tester("saturation { amount { value: 0 } mask: 'm' }");
  tester.Main(in);
  EXPECT_TRUE(SameBits(OpTester(tester).With("mask", MakeConstant(MATTE, kRect, 0)).Render(), in));
  EXPECT_TRUE(
      SameBits(OpTester(tester).With("mask", MakeConstant(MATTE, kRect, 1)).Render(), Saturation(0).Main(in).Render()));
}

}  // namespace
}  // namespace selvage::worker
