#include <gtest/gtest.h>

#include <cmath>

#include "absl/strings/str_cat.h"
// Before OpenImageIO, which undefines macros that protobuf needs.
#include "tests/testing/op_tester.h"

#include <Imath/ImathMatrix.h>
#include <OpenImageIO/imagebuf.h>
#include <OpenImageIO/imagebufalgo.h>
#include <opencv2/imgproc.hpp>

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 160, 120};

struct Move {
  double x = 0, y = 0, degrees = 0, scale = 1;
  const char* filter = "LANCZOS3";
};
OpTester Moved(const Move& m, const std::string& more = "") {
  return OpTester(absl::StrCat("transform { x { value: ", m.x, " } y { value: ", m.y, " } rotate { value: ", m.degrees,
                               " } scale { value: ", m.scale, " } filter: ", m.filter, " ", more, " }"));
}

// Smooth enough (no period below eleven pixels) that any good filter gives it back.
double Wave(double x, double y, int channel) {
  return 0.5 + 0.2 * std::sin(0.31 * x + 0.2 * channel) * std::cos(0.23 * y) + 0.15 * std::cos(0.4 * (x - y) + channel);
}
Picture Waves(Kind kind, const Rect& rect = kRect) {
  Picture p;
  p.kind = kind;
  for (int c = 0; c < ChannelCount(kind); ++c) {
    p.planes.push_back(Plane(rect));
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) p.planes[c].at(x, y) = static_cast<float>(Wave(x + 0.5, y + 0.5, c));
    }
  }
  return p;
}

// Where a point of the result was, by the message's formula; pivot at the centre.
std::pair<double, double> Origin(const Move& m, double x, double y) {
  const double angle = m.degrees * 3.14159265358979323846 / 180;
  const double dx = x - 80 - m.x, dy = y - 60 - m.y;
  return {80 + (std::cos(angle) * dx + std::sin(angle) * dy) / m.scale,
          60 + (-std::sin(angle) * dx + std::cos(angle) * dy) / m.scale};
}
// At least `margin` pixels from the edges.
bool Inside(double x, double y, double margin) {
  return x > margin && y > margin && x < kRect.x1 - margin && y < kRect.y1 - margin;
}

double WorstError(const Move& m, Kind kind) {
  const Picture out = Moved(m).Main(Waves(kind)).Render();
  double worst = 0;
  int count = 0;
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      const auto [sx, sy] = Origin(m, x + 0.5, y + 0.5);
      if (!Inside(sx, sy, 4 / std::min(1.0, m.scale))) continue;
      ++count;
      for (size_t c = 0; c < out.planes.size(); ++c) {
        worst = std::max(worst, std::abs(out.planes[c].at(x, y) - Wave(sx, sy, static_cast<int>(c))));
      }
    }
  }
  EXPECT_GT(count, 500);
  return worst;
}

TEST(Transform, KeepsTheLawsOfAllOperators) {
  Moved({.x = 3.3, .y = -2.1}).CheckLaws();
  Moved({.degrees = 17, .scale = 0.7}).CheckLaws();
  Moved({.degrees = -100, .scale = 1.3, .filter = "CUBIC"}, "pivot_x { value: 3 } pivot_y { value: 9 }").CheckLaws();
  Moved({.x = 0.5, .degrees = 45, .filter = "NEAREST"}).CheckLaws();
}

TEST(Transform, NothingAndWholeTurnsAreTheIdentity) {
  OpTester("transform {}").CheckIdentity();
  Moved({.degrees = 720, .filter = "CUBIC"}).CheckIdentity();
  Moved({}, "pivot_x { value: 10.3 } pivot_y { value: -77.77 }").CheckIdentity();
}

TEST(Transform, WholePixelMovesKeepTheBits) {
  for (const char* filter : {"LANCZOS3", "CUBIC", "NEAREST"}) {
    const Picture in = MakeBadPicture(PREMULTIPLIED, kRect);
    const Picture out = Moved({.x = 13, .y = -7, .filter = filter}, "pivot_x { value: 0.3 }").Main(in).Render();
    Picture expected = MakeConstant(PREMULTIPLIED, kRect, 0);
    for (size_t c = 0; c < 4; ++c) {
      for (int y = 0; y < kRect.y1; ++y) {
        for (int x = 0; x < kRect.x1; ++x) {
          const bool there = x - 13 >= 0 && y + 7 < kRect.y1;
          expected.planes[c].at(x, y) = there ? in.planes[c].at(x - 13, y + 7) : 0;
        }
      }
    }
    EXPECT_TRUE(SameBits(out, expected)) << filter;
  }
}

// Clockwise on the screen: what was to the right goes down.
TEST(Transform, RightAnglesKeepTheBits) {
  const Rect square{0, 0, 64, 64};
  const Picture in = MakePicture(PREMULTIPLIED, square);
  const Picture quarter = Moved({.degrees = 90}).Main(in).Render(), half = Moved({.degrees = -180}).Main(in).Render();
  for (size_t c = 0; c < 4; ++c) {
    for (int y = 0; y < 64; ++y) {
      for (int x = 0; x < 64; ++x) {
        ASSERT_EQ(quarter.planes[c].at(63 - y, x), in.planes[c].at(x, y));
        ASSERT_EQ(half.planes[c].at(63 - x, 63 - y), in.planes[c].at(x, y));
      }
    }
  }
  // Of a picture that is not square, about the corner of a pixel.
  const Picture wide = MakePicture(MATTE, kRect);
  const Picture turned = Moved({.degrees = 270}, "pivot_x { value: 50 } pivot_y { value: 40 }").Main(wide).Render();
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      const int tx = 50 + (y - 40), ty = 40 - (x - 50) - 1;
      if (tx < 0 || ty < 0 || tx >= kRect.x1 || ty >= kRect.y1) continue;
      ASSERT_EQ(turned.planes[0].at(tx, ty), wide.planes[0].at(x, y));
    }
  }
}

// Against the function itself. Bounds: Lanczos-3 is a windowed sinc with a
// passband ripple below 1 % of the amplitude; cubic convolution errs by the third
// power of the frequency (Keys 1981).
TEST(Transform, SmoothPicturesComeBackAtTheirNewPlace) {
  for (Kind kind : {MATTE, STRAIGHT, PREMULTIPLIED}) {
    for (const char* filter : {"LANCZOS3", "CUBIC"}) {
      EXPECT_LT(WorstError({.x = 3.37, .y = -1.81, .filter = filter}, kind), 0.004) << filter;
      EXPECT_LT(WorstError({.degrees = 31, .filter = filter}, kind), 0.004) << filter;
      EXPECT_LT(WorstError({.x = 2, .degrees = -77, .scale = 1.7, .filter = filter}, kind), 0.004) << filter;
    }
  }
  EXPECT_LT(WorstError({.scale = 1.7}, MATTE), 0.004);
  EXPECT_LT(WorstError({.scale = 0.8}, MATTE), 0.02);
}

// Another cubic kernel (a = -3/4) at places rounded to 1/32 pixel. Halfway between
// pixels that kernel raises a wave of 0.4 radians a pixel by 0.9 % in each
// direction, 0.006 of these; the rounding moves them by 1/64 pixel, 0.004 where
// they are steepest.
TEST(Transform, CubicAgreesWithOpenCv) {
  const Picture in = Waves(MATTE);
  cv::Mat source(kRect.height(), kRect.width(), CV_32F), theirs;
  for (int y = 0; y < source.rows; ++y) std::copy_n(in.planes[0].row(y), source.cols, source.ptr<float>(y));
  for (const Move& m : {Move{.x = 2.25, .y = 1.5, .filter = "CUBIC"}, Move{.degrees = 23, .filter = "CUBIC"},
                        Move{.x = -3, .degrees = -140, .scale = 1.4, .filter = "CUBIC"}}) {
    // From index to index, result to source.
    cv::Matx23d to_source;
    const auto [x0, y0] = Origin(m, 0.5, 0.5);
    const auto [x1, y1] = Origin(m, 1.5, 0.5);
    const auto [x2, y2] = Origin(m, 0.5, 1.5);
    to_source << x1 - x0, x2 - x0, x0 - 0.5, y1 - y0, y2 - y0, y0 - 0.5;
    cv::warpAffine(source, theirs, to_source, source.size(), cv::INTER_CUBIC | cv::WARP_INVERSE_MAP);
    const Picture ours = Moved(m).Main(in).Render();
    int count = 0;
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) {
        const auto [sx, sy] = Origin(m, x + 0.5, y + 0.5);
        if (!Inside(sx, sy, 4)) continue;
        ++count;
        ASSERT_NEAR(ours.planes[0].at(x, y), theirs.at<float>(y, x), 0.012) << x << ", " << y;
      }
    }
    EXPECT_GT(count, 5000);
  }
}

OIIO::ImageBuf ToBuffer(const Picture& p) {
  OIIO::ImageBuf buffer(OIIO::ImageSpec(kRect.width(), kRect.height(), 1, OIIO::TypeDesc::FLOAT));
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) buffer.setpixel(x, y, 0, p.planes[0].row(y) + x);
  }
  return buffer;
}

// The same kernel: apart only by its own approximation of the sine.
TEST(Transform, LanczosAgreesWithOpenImageIOsWarp) {
  const Picture in = MakePicture(MATTE, kRect);
  for (const Move& m : {Move{.x = 2.25, .y = 1.6}, Move{.degrees = 23}, Move{.degrees = 70, .scale = 1.3}}) {
    const auto [x0, y0] = Origin(m, 0, 0);
    const auto [x1, y1] = Origin(m, 1, 0);
    const auto [x2, y2] = Origin(m, 0, 1);
    // Row vectors; from source to result.
    const Imath::M33f matrix(Imath::M33d(x1 - x0, y1 - y0, 0, x2 - x0, y2 - y0, 0, x0, y0, 1).inverse());
    const OIIO::ImageBuf theirs = OIIO::ImageBufAlgo::warp(ToBuffer(in), matrix, "lanczos3", 6.0f);
    const Picture ours = Moved(m).Main(in).Render();
    for (int y = 0; y < kRect.y1; ++y) {
      for (int x = 0; x < kRect.x1; ++x) {
        const auto [sx, sy] = Origin(m, x + 0.5, y + 0.5);
        if (!Inside(sx, sy, 4)) continue;
        ASSERT_NEAR(ours.planes[0].at(x, y), std::clamp(theirs.getchannel(x, y, 0, 0), 0.0f, 1.0f), 2e-3)
            << x << ", " << y;
      }
    }
  }
}

TEST(Transform, ShrinkingAgreesWithOpenImageIOsResize) {
  const Picture in = MakePicture(MATTE, kRect);
  const OIIO::ImageBuf theirs = OIIO::ImageBufAlgo::resize(ToBuffer(in), "lanczos3", 6.0f, OIIO::ROI(0, 80, 0, 60));
  const Picture ours = Moved({.scale = 0.5}, "pivot_x { value: 0 } pivot_y { value: 0 }").Main(in).Render();
  for (int y = 4; y < 56; ++y) {
    for (int x = 4; x < 76; ++x) {
      ASSERT_NEAR(ours.planes[0].at(x, y), std::clamp(theirs.getchannel(x, y, 0, 0), 0.0f, 1.0f), 1e-3)
          << x << ", " << y;
    }
  }
}

// Rows kept as rows go another way than a turn; a turn by next to nothing shows
// that both say the same.
TEST(Transform, UprightIsTheLimitOfATurn) {
  for (Kind kind : {MATTE, STRAIGHT, PREMULTIPLIED}) {
    for (double scale : {0.6, 1.0, 2.2}) {
      const Picture in = MakePicture(kind, kRect);
      const Picture upright = Moved({.x = 1.3, .y = -20.7, .scale = scale}).Main(in).Render();
      const Picture turned = Moved({.x = 1.3, .y = -20.7, .degrees = 1e-9, .scale = scale}).Main(in).Render();
      for (size_t c = 0; c < in.planes.size(); ++c) {
        for (int y = 0; y < kRect.y1; ++y) {
          for (int x = 0; x < kRect.x1; ++x) {
            ASSERT_NEAR(upright.planes[c].at(x, y), turned.planes[c].at(x, y), 2e-6) << c << " at " << x << ", " << y;
          }
        }
      }
    }
  }
}

TEST(Transform, FlatColourStaysFlatWhereItIsCovered) {
  for (double scale : {0.037, 0.4, 1.0, 3.0}) {
    for (double degrees : {0.0, 40.0}) {
      const Picture out = Moved({.degrees = degrees, .scale = scale}).Main(MakeConstant(OPAQUE, kRect, 0.4f)).Render();
      EXPECT_EQ(out.kind, STRAIGHT);
      EXPECT_NEAR(out.planes[3].at(80, 60), scale < 0.1 ? out.planes[3].at(80, 60) : 1, 1e-6);
      for (int y = 0; y < kRect.y1; ++y) {
        for (int x = 0; x < kRect.x1; ++x) {
          // Straight colour repeats beyond its edge, under the fading alpha.
          ASSERT_NEAR(out.planes[0].at(x, y), 0.4, 1e-6);
          ASSERT_GE(out.planes[3].at(x, y), 0);
          ASSERT_LE(out.planes[3].at(x, y), 1);
        }
      }
    }
  }
}

TEST(Transform, ShrunkToNothingAndOutOfSight) {
  for (double degrees : {0.0, 12.0}) {
    const Picture speck = Moved({.degrees = degrees, .scale = 0.001}).Main(MakeConstant(MATTE, kRect, 1)).Render();
    EXPECT_EQ(speck.planes[0].at(3, 3), 0.0f);
    const Picture gone = Moved({.x = 65536, .degrees = degrees}).Main(MakePicture(PREMULTIPLIED, kRect)).Render();
    for (int x = 0; x < kRect.x1; ++x) ASSERT_EQ(gone.planes[1].at(x, 60), 0.0f);
  }
}

// The result covers the format, whatever the picture's own window.
TEST(Transform, SmallWindowsMoveWithinTheFormat) {
  const Rect small{20, 30, 50, 60};
  const Picture out =
      OpTester("transform { x { value: 7 } }").Main(MakeConstant(MATTE, small, 1)).Window(kRect).Render();
  EXPECT_EQ(out.rect(), kRect);
  for (int x = 0; x < kRect.x1; ++x) EXPECT_EQ(out.planes[0].at(x, 40), x >= 27 && x < 57 ? 1.0f : 0.0f);
}

}  // namespace
}  // namespace selvage::worker
