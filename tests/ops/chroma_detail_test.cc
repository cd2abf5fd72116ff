#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"
#include "worker/kernels/pixels/transfer.h"

namespace selvage::worker {
namespace {

TEST(ChromaDetail, KeepsTheLawsOfAllOperators) {
  OpTester("chroma_detail {}").CheckLaws();
  OpTester("chroma_detail { amount { value: 0.5 } curve: SRGB }").CheckLaws();
}

TEST(ChromaDetail, AmountZeroKeepsTheBits) { OpTester("chroma_detail { amount { value: 0 } }").CheckIdentity(); }

const Rect kRect{0, 0, 120, 80};

// A disc of one colour before a screen, in code values.
void Code(int x, int y, float* rgb) {
  const float screen[] = {0.25f, 0.70f, 0.30f}, front[] = {0.72f, 0.58f, 0.48f};
  const double a = std::clamp(25.5 - std::hypot(x - 60, y - 40), 0.0, 1.0);
  for (int c = 0; c < 3; ++c) rgb[c] = static_cast<float>(a * front[c] + (1 - a) * screen[c]);
}

// As it is, and as 4:2:0 leaves it: chroma averaged over 2x2 pixels, bilinear back.
Picture Drawn(bool subsampled) {
  const float kLuma[] = {0.2126f, 0.7152f, 0.0722f};
  const auto luma = [&](const float* c) { return kLuma[0] * c[0] + kLuma[1] * c[1] + kLuma[2] * c[2]; };
  const auto chroma = [&](int X, int Y, int c) {
    double sum = 0;
    for (int j = 0; j < 2; ++j) {
      for (int i = 0; i < 2; ++i) {
        float code[3];
        Code(std::clamp(2 * X + i, 0, kRect.x1 - 1), std::clamp(2 * Y + j, 0, kRect.y1 - 1), code);
        sum += code[c] - luma(code);
      }
    }
    return sum / 4;
  };
  Picture picture = MakeConstant(OPAQUE, kRect, 0);
  for (int c = 0; c < 3; ++c) picture.planes[c] = Plane(kRect);
  picture.planes[3] = Plane::Filled(kRect, 1);
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      float code[3];
      Code(x, y, code);
      if (subsampled) {
        const float l = luma(code);
        const int X = (x - 1) >> 1, Y = (y - 1) >> 1;
        const double u = x % 2 ? 0.25 : 0.75, v = y % 2 ? 0.25 : 0.75;
        for (int c : {0, 2}) {
          code[c] = l + static_cast<float>((1 - v) * ((1 - u) * chroma(X, Y, c) + u * chroma(X + 1, Y, c)) +
                                           v * ((1 - u) * chroma(X, Y + 1, c) + u * chroma(X + 1, Y + 1, c)));
        }
        code[1] = (l - kLuma[0] * code[0] - kLuma[2] * code[2]) / kLuma[1];
      }
      for (int c = 0; c < 3; ++c) DecodeRow(ENCODING_BT709, &code[c], &picture.planes[c].at(x, y), 1);
    }
  }
  return picture;
}

double Distance(const Picture& a, const Picture& b) {
  double sum = 0;
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) {
        sum += (a.planes[c].at(x, y) - b.planes[c].at(x, y)) * (a.planes[c].at(x, y) - b.planes[c].at(x, y));
      }
    }
  }
  return sum;
}

TEST(ChromaDetail, BringsTheEdgeOfAnObjectBack) {
  const Picture full = Drawn(false), lost = Drawn(true);
  const Picture back = OpTester("chroma_detail {}").Main(lost).Render();
  EXPECT_LT(Distance(back, full), 0.8 * Distance(lost, full));
}

TEST(ChromaDetail, LumaStays) {
  const Picture lost = Drawn(true);
  const Picture back = OpTester("chroma_detail {}").Main(lost).Render();
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      double before = 0, after = 0;
      const double weights[] = {0.2126, 0.7152, 0.0722};
      for (int c = 0; c < 3; ++c) {
        float b = 0, a = 0;
        EncodeRow(ENCODING_BT709, lost.planes[c].row(y) + x, &b, 1);
        EncodeRow(ENCODING_BT709, back.planes[c].row(y) + x, &a, 1);
        before += weights[c] * b, after += weights[c] * a;
      }
      ASSERT_NEAR(before, after, 2e-6);
    }
  }
}

TEST(ChromaDetail, GreysStayGrey) {
  Picture grey = MakePicture(OPAQUE, kRect);
  grey.planes[0] = grey.planes[2] = grey.planes[1];
  const Picture out = OpTester("chroma_detail {}").Main(grey).Render();
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) ASSERT_NEAR(out.planes[c].at(x, y), grey.planes[c].at(x, y), 1e-5);
    }
  }
}

}  // namespace
}  // namespace selvage::worker
