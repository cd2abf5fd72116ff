#include <OpenImageIO/imagebuf.h>
#include <OpenImageIO/imagebufalgo.h>
#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "tests/testing/op_tester.h"
#include "worker/inputs/mask.h"

namespace selvage::worker {
namespace {

OpTester ReducedBy(int by) { return OpTester(absl::StrCat("reduce { by: ", by, " }")); }

Picture Matte(const Rect& rect, const std::vector<float>& samples) {
  Picture p = MakeConstant(MATTE, rect, 0);
  p.planes[0] = Plane(rect);
  size_t i = 0;
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) p.planes[0].at(x, y) = samples[i++];
  }
  return p;
}

TEST(Reduce, KeepsTheLawsOfAllOperators) {
  for (const int by : {2, 4, 8}) ReducedBy(by).CheckLaws();
}

// By hand: the means of four.
TEST(Reduce, APixelIsTheMeanOfThoseThatItCovers) {
  const Rect rect{0, 0, 4, 2};
  const Picture out = ReducedBy(2).Window(rect).Main(Matte(rect, {0, 1, 0.5f, 0.25f, 1, 1, 0, 0.25f})).Render();
  // The format is that of the tester, 4 x 2; what is beyond the plate is empty.
  EXPECT_EQ(out.planes[0].at(0, 0), 0.75f);
  EXPECT_EQ(out.planes[0].at(1, 0), 0.25f);
  EXPECT_EQ(out.planes[0].at(2, 0), 0.0f);
  EXPECT_EQ(out.planes[0].at(3, 1), 0.0f);
}

// Windows that begin left of the format and end within a pixel: what is there counts.
TEST(Reduce, PixelsAreCountedFromTheFormatAndPartsOfThemAreMeansOfWhatIsThere) {
  const Rect rect{-3, 0, 2, 1};
  const Picture out = ReducedBy(2).Window(rect).Main(Matte(rect, {1, 0, 1, 0.5f, 0})).Render();
  EXPECT_LE(out.rect().x0, -2);
  EXPECT_EQ(out.planes[0].at(-2, 0), 1.0f) << "pixel -3 alone; -4 is not there";
  EXPECT_EQ(out.planes[0].at(-1, 0), 0.5f);
  EXPECT_EQ(out.planes[0].at(0, 0), 0.25f);
}

// Straight colour counts by its alpha; the mean of premultiplied colour is the same thing.
TEST(Reduce, StraightAndPremultipliedColourAreTheSamePicture) {
  const Rect rect{0, 0, 64, 48};
  const Picture straight = MakePicture(STRAIGHT, rect);
  Picture premultiplied = straight;
  premultiplied.kind = PREMULTIPLIED;
  for (int c = 0; c < 3; ++c) {
    premultiplied.planes[c] = Plane(rect);
    for (int y = 0; y < rect.y1; ++y) {
      for (int x = 0; x < rect.x1; ++x) {
        premultiplied.planes[c].at(x, y) = straight.planes[c].at(x, y) * straight.planes[3].at(x, y);
      }
    }
  }
  const Picture a = ReducedBy(4).Window(rect).Main(straight).Render();
  const Picture b = ReducedBy(4).Window(rect).Main(premultiplied).Render();
  for (int y = 0; y < 12; ++y) {
    for (int x = 0; x < 16; ++x) {
      ASSERT_EQ(a.planes[3].at(x, y), b.planes[3].at(x, y));
      for (int c = 0; c < 3; ++c) {
        ASSERT_NEAR(a.planes[c].at(x, y) * a.planes[3].at(x, y), b.planes[c].at(x, y), 1e-5);
      }
    }
  }
}

TEST(Reduce, WithoutAnyAlphaTheColourIsAPlainMean) {
  const Rect rect{0, 0, 2, 2};
  Picture p = MakeConstant(STRAIGHT, rect, 0);
  p.planes[0] = Matte(rect, {1, 0, 1, 0}).planes[0];
  EXPECT_EQ(ReducedBy(2).Window(rect).Main(p).Render().planes[0].at(0, 0), 0.5f);
}

TEST(Reduce, OpaqueStaysOpaque) {
  const Rect rect{0, 0, 33, 17};
  const Picture out = ReducedBy(2).Window(rect).Main(MakePicture(OPAQUE, rect)).Render();
  EXPECT_EQ(out.kind, OPAQUE);
  ASSERT_TRUE(out.planes[3].constant.has_value());
  EXPECT_EQ(*out.planes[3].constant, 1.0f);
}

// Against ImageBufAlgo::resize of OpenImageIO with its box filter.
TEST(Reduce, IsTheBoxFilterOfOpenImageIO) {
  const Rect rect{0, 0, 64, 48};
  const Picture in = MakePicture(OPAQUE, rect);
  for (const int by : {2, 4, 8}) {
    OIIO::ImageSpec spec(rect.width(), rect.height(), 3, OIIO::TypeDesc::FLOAT);
    OIIO::ImageBuf source(spec);
    for (int y = 0; y < rect.y1; ++y) {
      for (int x = 0; x < rect.x1; ++x) {
        const float rgb[3] = {in.planes[0].at(x, y), in.planes[1].at(x, y), in.planes[2].at(x, y)};
        source.setpixel(x, y, rgb);
      }
    }
    const OIIO::ROI roi(0, rect.width() / by, 0, rect.height() / by, 0, 1, 0, 3);
    const OIIO::ImageBuf theirs = OIIO::ImageBufAlgo::resize(source, "box", 1.0f, roi);
    ASSERT_FALSE(theirs.has_error()) << theirs.geterror();
    const Picture ours = ReducedBy(by).Window(rect).Main(in).Render();
    for (int y = 0; y < roi.yend; ++y) {
      for (int x = 0; x < roi.xend; ++x) {
        float rgb[3];
        theirs.getpixel(x, y, rgb);
        for (int c = 0; c < 3; ++c)
          ASSERT_NEAR(ours.planes[c].at(x, y), rgb[c], 2e-6) << by << " at " << x << ", " << y;
      }
    }
  }
}

ResolvedMask Rectangle(double x0, double y0, double x1, double y1) {
  ResolvedMask mask;
  auto* shape = mask.add_shape();
  shape->set_opacity(1);
  auto* path = shape->add_path();
  double x = x0, y = y0;
  path->add_xy(x);
  path->add_xy(y);
  for (const auto& [to_x, to_y] : {std::pair{x1, y0}, {x1, y1}, {x0, y1}}) {
    for (const double u : {1.0 / 3, 2.0 / 3, 1.0}) {
      path->add_xy(x + u * (to_x - x));
      path->add_xy(y + u * (to_y - y));
    }
    x = to_x;
    y = to_y;
  }
  return mask;
}

Picture Drawn(const ResolvedMask& mask, const Rect& rect) {
  Picture p = MakeConstant(MATTE, rect, 0);
  p.planes[0] = Plane(rect);
  EXPECT_TRUE(RenderMask(mask, &p.planes[0]).ok());
  return p;
}

// A mask drawn at half the size is the mean of the one at full size: both are areas.
TEST(Reduce, AMaskAtHalfTheSizeIsTheReducedMask) {
  const Rect full{0, 0, 64, 48}, half{0, 0, 32, 24};
  struct {
    double x0, y0, x1, y1, within;
  } boxes[] = {{10, 8, 40, 30, 0}, {11, 9, 41, 31, 1.0 / 255}, {10.25, 8.5, 40.75, 30.125, 1.0 / 255}};
  for (const auto& b : boxes) {
    const Picture reduced = ReducedBy(2).Window(full).Main(Drawn(Rectangle(b.x0, b.y0, b.x1, b.y1), full)).Render();
    const Picture drawn = Drawn(Rectangle(b.x0 / 2, b.y0 / 2, b.x1 / 2, b.y1 / 2), half);
    double sum_reduced = 0, sum_drawn = 0;
    for (int y = 0; y < half.y1; ++y) {
      for (int x = 0; x < half.x1; ++x) {
        const float ours = drawn.planes[0].at(x, y);
        ASSERT_NEAR(reduced.planes[0].at(x, y), ours, 1e-6 + b.within) << x << ", " << y;
        sum_reduced += reduced.planes[0].at(x, y);
        sum_drawn += ours;
      }
    }
    EXPECT_NEAR(sum_reduced, sum_drawn, 1e-3);
    EXPECT_NEAR(sum_drawn, (b.x1 - b.x0) * (b.y1 - b.y0) / 4, 0.01);
  }
}

}  // namespace
}  // namespace selvage::worker
