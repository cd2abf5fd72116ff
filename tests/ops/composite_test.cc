#include <gtest/gtest.h>

#include <array>

// Before OpenImageIO, which undefines macros that protobuf needs.
#include "tests/testing/op_tester.h"

#include <OpenImageIO/imagebuf.h>
#include <OpenImageIO/imagebufalgo.h>

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 20, 10};
using Pixel = std::array<double, 4>;

Picture Solid(const Pixel& p, const Rect& rect = kRect, Kind kind = PREMULTIPLIED) {
  Picture picture;
  picture.kind = kind;
  for (double v : p) picture.planes.push_back(Plane::Filled(rect, static_cast<float>(v)));
  return picture;
}

Picture Merged(const Picture& a, const Picture& b, const std::string& params) {
  return OpTester("composite { with: 'b' " + params + " }").Main(a).With("with", b).Render();
}

void ExpectPixel(const Picture& got, const Pixel& known) {
  for (int c = 0; c < 4; ++c) EXPECT_NEAR(got.planes[c].at(3, 3), known[c], 1e-6) << c;
}

// Porter & Duff 1984, table of fractions; numbers worked by hand.
TEST(Composite, PorterDuffWorkedNumbers) {
  const Picture a = Solid({.3, .1, .05, .4}), b = Solid({.2, .6, .1, .8});
  ExpectPixel(Merged(a, b, "rule: OVER"), {.42, .46, .11, .88});
  ExpectPixel(Merged(b, a, "rule: OVER"), {.26, .62, .11, .88});
  ExpectPixel(Merged(a, b, "rule: IN"), {.24, .08, .04, .32});
  ExpectPixel(Merged(a, b, "rule: OUT"), {.06, .02, .01, .08});
  ExpectPixel(Merged(a, b, "rule: ATOP"), {.36, .44, .10, .80});
  ExpectPixel(Merged(b, a, "rule: ATOP"), {.14, .26, .05, .40});
  ExpectPixel(Merged(a, b, "rule: XOR"), {.18, .38, .07, .56});
  ExpectPixel(Merged(a, b, "rule: PLUS"), {.5, .7, .15, 1.2});
}

TEST(Composite, AmountMultipliesAllOfA) {
  const Picture a = Solid({.3, .1, .05, .4}), b = Solid({.2, .6, .1, .8}), half = Solid({.15, .05, .025, .2});
  for (const char* rule : {"OVER", "IN", "OUT", "ATOP", "XOR", "PLUS"}) {
    const Picture scaled = Merged(a, b, std::string("amount { value: 0.5 } rule: ") + rule);
    const Picture by_hand = Merged(half, b, std::string("rule: ") + rule);
    for (int c = 0; c < 4; ++c) EXPECT_NEAR(scaled.planes[c].at(3, 3), by_hand.planes[c].at(3, 3), 1e-7) << rule;
  }
}

TEST(Composite, OverNothingIsTheIdentity) {
  OpTester("composite { with: 'b' }")
      .Main(MakePicture(PREMULTIPLIED, kRect))
      .With("with", Solid({0, 0, 0, 0}))
      .CheckIdentity();
}

TEST(Composite, AgreesWithOpenImageIO) {
  const Picture a = MakePicture(PREMULTIPLIED, {0, 0, 144, 99}, 1), b = MakePicture(PREMULTIPLIED, {0, 0, 144, 99}, 3);
  auto to_buffer = [](const Picture& p) {
    OIIO::ImageSpec spec(144, 99, 4, OIIO::TypeDesc::FLOAT);
    spec.channelnames = {"R", "G", "B", "A"};
    spec.alpha_channel = 3;
    OIIO::ImageBuf buffer(spec);
    for (int y = 0; y < 99; ++y) {
      for (int x = 0; x < 144; ++x) {
        const float v[] = {p.planes[0].at(x, y), p.planes[1].at(x, y), p.planes[2].at(x, y), p.planes[3].at(x, y)};
        buffer.setpixel(x, y, 0, v);
      }
    }
    return buffer;
  };
  const Picture ours = Merged(a, b, "");
  const OIIO::ImageBuf theirs = OIIO::ImageBufAlgo::over(to_buffer(a), to_buffer(b));
  for (int c = 0; c < 4; ++c) {
    for (int y = 0; y < 99; ++y) {
      for (int x = 0; x < 144; ++x) ASSERT_NEAR(ours.planes[c].at(x, y), theirs.getchannel(x, y, 0, c), 2e-7);
    }
  }
}

TEST(Composite, CoversBothWindowsAndIsTransparentBeyondEach) {
  const Picture a = Solid({.3, .1, .05, .4}, {0, 0, 20, 10}), b = Solid({.2, .6, .1, .8}, {10, -5, 40, 8});
  const Picture out = Merged(a, b, "");
  EXPECT_EQ(out.rect(), (Rect{0, -5, 40, 10}));
  EXPECT_FLOAT_EQ(out.planes[3].at(2, 2), .4f);
  EXPECT_FLOAT_EQ(out.planes[3].at(12, 2), .88f);
  EXPECT_FLOAT_EQ(out.planes[3].at(30, 2), .8f);
  EXPECT_EQ(out.planes[3].at(2, -3), 0.0f);
  EXPECT_EQ(out.planes[3].at(30, 9), 0.0f);
}

TEST(Composite, Laws) {
  for (const char* rule : {"OVER", "IN", "OUT", "ATOP", "XOR", "PLUS"}) {
    OpTester(std::string("composite { with: 'b' rule: ") + rule + " }").CheckLaws();
  }
  OpTester("composite { with: 'b' amount { value: 0.4 } }").CheckLaws();
}

}  // namespace
}  // namespace selvage::worker
