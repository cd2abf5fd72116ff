#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"
#include "worker/kernels/pixels/transfer.h"

namespace selvage::worker {
namespace {

const char* const kEncodings[] = {"ENCODING_LINEAR", "ENCODING_SRGB", "ENCODING_BT709", "ENCODING_PRINTING_DENSITY",
                                  "ENCODING_ACESCCT"};

TEST(Encode, LawsOfAllOperatorsHold) {
  for (const char* e : kEncodings) OpTester(std::string("encode { encoding: ") + e + " }").CheckLaws();
}
TEST(Decode, LawsOfAllOperatorsHold) {
  for (const char* e : kEncodings) OpTester(std::string("decode { encoding: ") + e + " }").CheckLaws();
}

TEST(Encode, LinearIsTheIdentity) { OpTester("encode { encoding: ENCODING_LINEAR }").CheckIdentity(); }
TEST(Decode, LinearIsTheIdentity) { OpTester("decode { encoding: ENCODING_LINEAR }").CheckIdentity(); }

TEST(Decode, UndoesEncodeAndLeavesAlphaAlone) {
  const Picture in = MakePicture(STRAIGHT, {0, 0, 90, 60});
  for (const char* e : kEncodings) {
    const Picture coded = OpTester(std::string("encode { encoding: ") + e + " }").Main(in).Render();
    const Picture back = OpTester(std::string("decode { encoding: ") + e + " }").Main(coded).Render();
    for (int y = 0; y < 60; ++y) {
      for (int x = 0; x < 90; ++x) {
        for (int c = 0; c < 3; ++c) ASSERT_NEAR(back.planes[c].at(x, y), in.planes[c].at(x, y), 2e-6) << e;
        ASSERT_EQ(coded.planes[3].at(x, y), in.planes[3].at(x, y));
        ASSERT_EQ(back.planes[3].at(x, y), in.planes[3].at(x, y));
      }
    }
  }
}

// IEC 61966-2-1, value confirmed by NumPy and OpenColorIO.
TEST(Encode, MiddleGreyHasItsSrgbCode) {
  const Picture in = MakeConstant(OPAQUE, {0, 0, 3, 2}, 0.18f);
  const Picture out = OpTester("encode { encoding: ENCODING_SRGB }").Main(in).Render();
  EXPECT_NEAR(out.planes[0].at(1, 1), 0.4613561, 1e-6);
  EXPECT_EQ(out.planes[3].at(1, 1), 1.0f);
}

}  // namespace
}  // namespace selvage::worker
