#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const std::string kStep = "sample_color { box { x: 10 y: 20 width: 30 height: 8 } }";

std::vector<float> Measured(const absl::StatusOr<std::string>& bytes) {
  Measurement m;
  EXPECT_TRUE(bytes.ok()) << bytes.status();
  EXPECT_TRUE(m.ParseFromString(*bytes));
  return {m.values().begin(), m.values().end()};
}

TEST(SampleColor, IsTheMeanOfTheBox) {
  const Picture in = MakePicture(STRAIGHT, {0, 0, 80, 60});
  const auto values = Measured(OpTester(kStep).Main(in).RenderBlob());
  ASSERT_EQ(values.size(), 4u);
  for (int c = 0; c < 4; ++c) {
    double sum = 0;
    for (int y = 20; y < 28; ++y) {
      for (int x = 10; x < 40; ++x) sum += in.planes[c].at(x, y);
    }
    EXPECT_NEAR(values[c], sum / 240, 1e-7) << c;
  }
}

TEST(SampleColor, AMatteHasOneNumber) {
  const auto values = Measured(OpTester(kStep).Main(MakeConstant(MATTE, {0, 0, 80, 60}, 0.25f)).RenderBlob());
  EXPECT_THAT(values, testing::ElementsAre(0.25f));
}

TEST(SampleColor, PixelsThatAreNoNumbersDoNotCount) {
  Picture in = MakeConstant(OPAQUE, {0, 0, 80, 60}, 0.5f);
  for (Plane& p : in.planes) p.constant.reset();
  in.planes[1].at(12, 22) = std::nanf("");
  in.planes[0].at(13, 22) = HUGE_VALF;
  EXPECT_THAT(Measured(OpTester(kStep).Main(in).RenderBlob()), testing::ElementsAre(0.5f, 0.625f, 0.75f, 1.0f));
}

TEST(SampleColor, TheSameBytesEveryTime) {
  const OpTester tester(kStep);
  EXPECT_EQ(*tester.RenderBlob(), *tester.RenderBlob());
}

TEST(SampleColor, ABoxOutsideThePictureIsAnError) {
  for (const char* box : {"x: -1 y: 0 width: 4 height: 4", "x: 78 y: 0 width: 4 height: 4",
                          "x: 0 y: 0 width: 0 height: 4", "x: 2147483647 y: 0 width: 4294967295 height: 1"}) {
    const auto bytes = OpTester(std::string("sample_color { box { ") + box + " } }")
                           .Main(MakeConstant(MATTE, {0, 0, 80, 60}, 1))
                           .RenderBlob();
    EXPECT_EQ(bytes.status().code(), absl::StatusCode::kInvalidArgument) << box;
  }
}

}  // namespace
}  // namespace selvage::worker
