#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

using testing::MovingScene;

const Rect kRect{-9, 4, 111, 94};

Picture Matte(const Rect& rect, float value = 0) {
  Picture p = MakeConstant(MATTE, rect, value);
  p.planes[0].constant.reset();
  return p;
}
void Fill(const Rect& rect, float value, Picture* p, int channel = 0) {
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) p->planes[channel].at(x, y) = value;
  }
}
// A body with a soft rim one pixel wide.
const Rect kBody{20, 20, 80, 60};
Picture Body() {
  Picture p = Matte(kRect);
  Fill(kBody.Grow(1), 0.5f, &p);
  Fill(kBody, 1, &p);
  return p;
}

MatteFigures FiguresOf(const OpTester& tester) {
  MatteFigures figures;
  const auto bytes = tester.RenderBlob();
  EXPECT_TRUE(bytes.ok()) << bytes.status();
  EXPECT_TRUE(bytes.ok() && figures.ParseFromString(*bytes));
  return figures;
}
MatteFigures FiguresOf(const Picture& matte, const std::string& params = "") {
  return FiguresOf(OpTester("measure_matte { window: 0 " + params + " }").Main(matte));
}

void ExpectPart(const MatteFigures::Part& part, uint64_t pixels, const Rect& box) {
  EXPECT_EQ(part.pixels(), pixels);
  EXPECT_EQ(part.x(), box.x0);
  EXPECT_EQ(part.y(), box.y0);
  EXPECT_EQ(part.width(), static_cast<uint32_t>(box.width()));
  EXPECT_EQ(part.height(), static_cast<uint32_t>(box.height()));
}

TEST(MeasureMatte, CountsWhatWasPlanted) {
  Picture in = Body();
  const MatteFigures clean = FiguresOf(in);
  const uint64_t body = kBody.area(), rim = kBody.Grow(1).area() - kBody.area();
  EXPECT_EQ(clean.pixels(), kRect.area());
  EXPECT_EQ(clean.covered_pixels(), body + rim);
  EXPECT_EQ(clean.soft_pixels(), rim);
  EXPECT_EQ(clean.hole_pixels() + clean.holes() + clean.speck_pixels() + clean.specks(), 0u);
  EXPECT_FALSE(clean.has_largest_hole() || clean.has_largest_speck());
  // The rim and the pixels on both sides of it.
  EXPECT_EQ(clean.edge_pixels(), kBody.Grow(2).area() - kBody.Grow(-1).area());
  EXPECT_FALSE(clean.has_flicker() || clean.has_jump() || clean.has_edge_spill() || clean.has_spill_pixels() ||
               clean.has_clipped_pixels() || clean.has_negative_pixels());

  Fill({30, 30, 34, 33}, 0.5f, &in);
  Fill({34, 33, 35, 34}, 0, &in);  // touches by a corner: the same hole
  Fill({50, 40, 52, 41}, 0.9f, &in);
  Fill({100, 80, 102, 82}, 0.3f, &in);
  Fill({5, 10, 6, 11}, 1, &in);
  const MatteFigures figures = FiguresOf(in, "area { value: 50 }");
  EXPECT_EQ(figures.hole_pixels(), 15u);
  EXPECT_EQ(figures.holes(), 2u);
  ExpectPart(figures.largest_hole(), 13, {30, 30, 35, 34});
  EXPECT_EQ(figures.speck_pixels(), 5u);
  EXPECT_EQ(figures.specks(), 2u);
  ExpectPart(figures.largest_speck(), 4, {100, 80, 102, 82});
  EXPECT_EQ(figures.covered_pixels(), body + rim - 1 + 5);
  EXPECT_EQ(figures.soft_pixels(), rim + 12 + 2 + 4);

  // Larger ones are meant to be there.
  const MatteFigures few = FiguresOf(in, "area { value: 3 }");
  EXPECT_EQ(few.hole_pixels(), 2u);
  EXPECT_EQ(few.speck_pixels(), 1u);
  // A thousandth of the format, 10.8 pixels.
  EXPECT_EQ(FiguresOf(in).hole_pixels(), 2u);
  EXPECT_EQ(FiguresOf(in).speck_pixels(), 5u);
  // Other thresholds.
  EXPECT_EQ(FiguresOf(in, "area { value: 50 } solid { value: 0.9 }").hole_pixels(), 13u);
  EXPECT_EQ(FiguresOf(in, "area { value: 50 } clear { value: 0.3 }").speck_pixels(), 1u);
}

TEST(MeasureMatte, AnOpenBayIsNoHole) {
  Picture in = Body();
  Fill({40, kRect.y0, 42, 50}, 0, &in);
  EXPECT_EQ(FiguresOf(in, "area { value: 1e6 }").hole_pixels(), 0u);
}

TEST(MeasureMatte, WhereCoreAndOutsideAreGivenAllCounts) {
  Picture in = Body();
  Fill({40, kRect.y0, 42, 50}, 0, &in);
  Fill({90, 70, 108, 90}, 0.1f, &in);
  Fill({0, 80, 2, 82}, 1, &in);
  // Smaller than the matte: beyond their windows nothing is demanded.
  Picture core = Matte({30, 30, 60, 60}, 1), outside = Matte({85, 60, 100, 80}, 1);
  Fill({30, 30, 60, 31}, 0.9f, &core);  // not solid
  const MatteFigures figures = FiguresOf(OpTester("measure_matte { window: 0 core: 'c' garbage: 'o' }")
                                             .Main(in)
                                             .With("core", core)
                                             .With("garbage", outside));
  EXPECT_EQ(figures.hole_pixels(), 2u * 19);
  ExpectPart(figures.largest_hole(), 38, {40, 31, 42, 50});
  EXPECT_EQ(figures.speck_pixels(), 100u);
  ExpectPart(figures.largest_speck(), 100, {90, 70, 100, 80});
}

// Connected parts of random mattes, as OpenCV finds them.
TEST(MeasureMatte, EqualsOpenCvsComponents) {
  testing::Random random(7);
  for (int shot = 0; shot < 4; ++shot) {
    Picture in = Matte(kRect);
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) {
        const double body = 4 * testing::ValueNoise(x / 19.0, y / 19.0, shot + 1) + 0.8;
        in.planes[0].at(x, y) = static_cast<float>(std::clamp(body + 0.9 * (random.Uniform() - 0.5), 0.0, 1.0));
      }
    }
    const int width = kRect.width(), height = kRect.height(), limit = 30;
    const auto expect = [&](bool holes, uint64_t pixels, uint64_t parts, const MatteFigures::Part& largest) {
      cv::Mat bitmap(height, width, CV_8U), labels, stats, centroids;
      for (int y = 0; y < height; ++y) {
        for (int x = 0; x < width; ++x) {
          const float v = in.planes[0].at(kRect.x0 + x, kRect.y0 + y);
          bitmap.at<uint8_t>(y, x) = holes ? v < 0.95f : v > 0.02f;
        }
      }
      const int count = cv::connectedComponentsWithStats(bitmap, labels, stats, centroids, 8, CV_32S);
      int body = 0;
      for (int i = 1; i < count; ++i) {
        if (body == 0 || stats.at<int>(i, cv::CC_STAT_AREA) > stats.at<int>(body, cv::CC_STAT_AREA)) body = i;
      }
      uint64_t all = 0, number = 0, most = 0;
      for (int i = 1; i < count; ++i) {
        const int x = stats.at<int>(i, cv::CC_STAT_LEFT), y = stats.at<int>(i, cv::CC_STAT_TOP);
        const int w = stats.at<int>(i, cv::CC_STAT_WIDTH), h = stats.at<int>(i, cv::CC_STAT_HEIGHT);
        const int area = stats.at<int>(i, cv::CC_STAT_AREA);
        const bool at_edge = x == 0 || y == 0 || x + w == width || y + h == height;
        if (area > limit || (holes ? at_edge : i == body)) continue;
        all += area;
        ++number;
        most = std::max<uint64_t>(most, area);
        if (static_cast<uint64_t>(area) == largest.pixels() && x + kRect.x0 == largest.x() &&
            y + kRect.y0 == largest.y()) {
          EXPECT_EQ(w, static_cast<int>(largest.width()));
          EXPECT_EQ(h, static_cast<int>(largest.height()));
        }
      }
      EXPECT_GT(number, 2u);
      EXPECT_EQ(pixels, all);
      EXPECT_EQ(parts, number);
      EXPECT_EQ(largest.pixels(), most);
    };
    const MatteFigures f = FiguresOf(in, absl::StrCat("area { value: ", limit, " }"));
    expect(true, f.hole_pixels(), f.holes(), f.largest_hole());
    expect(false, f.speck_pixels(), f.specks(), f.largest_speck());
  }
}

TEST(MeasureMatte, FillHolesAndDropSpecksLeaveNone) {
  Picture in = Body();
  Fill({30, 30, 36, 33}, 0.5f, &in);
  Fill({100, 80, 103, 83}, 0.3f, &in);
  ASSERT_EQ(FiguresOf(in, "area { value: 64 }").hole_pixels(), 18u);
  const Picture filled = OpTester("fill_holes { area { value: 64 } }").Main(in).Render();
  const Picture dropped = OpTester("drop_specks { area { value: 64 } }").Main(filled).Render();
  const MatteFigures f = FiguresOf(dropped, "area { value: 64 }");
  EXPECT_EQ(f.hole_pixels(), 0u);
  EXPECT_EQ(f.speck_pixels(), 0u);
}

// --- along motion ---

// Three frames of a matte before a picture that stands still.
MatteFigures Still(const Picture& before, const Picture& here, const Picture& after) {
  MovingScene scene;
  scene.window = here.rect();
  const Picture plate = scene.Truth(0);
  OpTester tester("measure_matte { plate: 'p' }");
  tester.Main(here).Main(before, -1).Main(after, 1);
  for (int offset : {0, -1, 1}) tester.With("plate", plate, offset);
  return FiguresOf(tester);
}

TEST(MeasureMatte, SteadyChangeIsNoFlickerAndAPopIsOneWhereItIs) {
  const auto soft = [](float v) {
    Picture p = Body();
    Fill({40, 30, 60, 50}, v, &p);
    return p;
  };
  // Edge: the body's rim, and the outline of the patch on both sides.
  const double inside = 20 * 20 - 18 * 18, edge = kBody.Grow(2).area() - kBody.Grow(-1).area() + 22 * 22 - 18 * 18;
  const MatteFigures steady = Still(soft(0.3f), soft(0.4f), soft(0.5f));
  EXPECT_EQ(steady.edge_pixels(), edge);
  EXPECT_EQ(steady.flicker(), 0);
  EXPECT_NEAR(steady.jump(), std::sqrt(inside * 0.01 / edge), 1e-6);

  const MatteFigures pop = Still(soft(0.3f), soft(0.6f), soft(0.4f));
  EXPECT_NEAR(pop.flicker(), std::sqrt(inside * 0.04 / edge), 1e-6);
  EXPECT_NEAR(pop.jump(), std::sqrt(inside * 0.09 / edge), 1e-6);
  EXPECT_EQ(Still(soft(0.3f), soft(0.3f), soft(0.6f)).flicker(), 0) << "the next one's";
  EXPECT_EQ(Still(soft(0.6f), soft(0.3f), soft(0.3f)).flicker(), 0) << "the last one's";
}

TEST(MeasureMatte, AHoleIsNoFlicker) {
  Picture hole = Body();
  Fill({40, 30, 43, 33}, 0.2f, &hole);
  ASSERT_EQ(FiguresOf(hole).hole_pixels(), 9u);
  for (const MatteFigures& f : {Still(Body(), hole, Body()), Still(hole, Body(), Body())}) {
    EXPECT_EQ(f.flicker(), 0);
    EXPECT_EQ(f.jump(), 0);
  }
}

// Independent noise of deviation s in all frames: jump is sqrt(2) s; for three
// normal numbers the mean squared distance of one from their median is
// 2/3 (1 + sqrt3/(2pi) + 1 - sqrt3/pi - sqrt3/pi) s^2, from the moments of order
// statistics (from memory: David & Nagaraja, Order Statistics).
TEST(MeasureMatte, NoiseGivesTheFlickerOfOrderStatistics) {
  const Rect rect{0, 0, 240, 160};
  testing::Random random(3);
  const auto noisy = [&] {
    Picture p = Matte(rect);
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) p.planes[0].at(x, y) = static_cast<float>(0.5 + 0.05 * random.Gaussian());
    }
    return p;
  };
  const Picture before = noisy(), here = noisy(), after = noisy();
  const MatteFigures f = Still(before, here, after);
  EXPECT_EQ(f.edge_pixels(), rect.area());
  const double pi = 3.14159265358979;
  EXPECT_NEAR(f.flicker(), 0.05 * std::sqrt(2.0 / 3 * (2 - 1.5 * std::sqrt(3) / pi)), 0.05 * 0.02);
  EXPECT_NEAR(f.jump(), 0.05 * std::sqrt(2), 0.05 * 0.02);
}

// A matte as a key gives it, two pixels soft.
Picture TrueMatte(const MovingScene& scene, int frame) {
  Picture p;
  p.kind = MATTE;
  p.planes.emplace_back(scene.window);
  for (int y = scene.window.y0; y < scene.window.y1; ++y) {
    for (int x = scene.window.x0; x < scene.window.x1; ++x) {
      double sum = 0;
      for (int j = -1; j <= 1; ++j) {
        for (int i = -1; i <= 1; ++i) sum += (2 - std::abs(i)) * (2 - std::abs(j)) * scene.Cover(x + i, y + j, frame);
      }
      p.planes[0].at(x, y) = static_cast<float>(sum / 16);
    }
  }
  return p;
}

TEST(MeasureMatte, TheTruthOfAMovingShotHardlyFlickersAndNoiseDoes) {
  for (const auto& [vx, vy] : {std::pair(0.0, 0.0), {1.3, 0.4}, {5.0, -1.5}, {12.0, -3.0}}) {
    MovingScene scene;
    scene.foreground_x = vx;
    scene.foreground_y = vy;
    scene.screen_width = scene.window.width();
    const auto measure = [&](double noise) {
      testing::Random random(11);
      OpTester tester("measure_matte { plate: 'p' }");
      for (int offset : {0, -1, 1}) {
        Picture matte = TrueMatte(scene, offset);
        for (int y = scene.window.y0; y < scene.window.y1; ++y) {
          for (int x = scene.window.x0; x < scene.window.x1; ++x) {
            float& v = matte.planes[0].at(x, y);
            if (v > 0.05f && v < 0.95f) v += static_cast<float>(noise * random.Gaussian());
          }
        }
        tester.Main(matte, offset).With("plate", testing::AddNoise(scene.Truth(offset), {}, 50 + offset), offset);
      }
      return FiguresOf(tester);
    };
    const MatteFigures truth = measure(0), noisy = measure(0.1);
    // The plates' noise sways the vectors; where they stand still and are equal it is 0 (above).
    EXPECT_LT(truth.flicker(), 0.03) << vx;
    EXPECT_GT(noisy.flicker(), truth.flicker() + 0.02) << vx;
  }
}

TEST(MeasureMatte, AtTheEndsOfAShotThereIsLessToSay) {
  const Picture plate = MakePicture(OPAQUE, kRect);
  const auto measure = [&](std::vector<int> offsets) {
    OpTester tester("measure_matte { plate: 'p' }");
    for (int offset : offsets) tester.Main(Body(), offset).With("plate", plate, offset);
    return FiguresOf(tester);
  };
  EXPECT_FALSE(measure({0}).has_flicker() || measure({0}).has_jump());
  EXPECT_FALSE(measure({0, 1}).has_flicker() || measure({0, 1}).has_jump());
  EXPECT_TRUE(measure({0, -1}).has_jump());
  EXPECT_FALSE(measure({0, -1}).has_flicker());
}

// --- colour ---

Picture Color(Kind kind, float r, float g, float b, const Picture& alpha) {
  Picture p;
  p.kind = kind;
  for (float v : {r, g, b}) p.planes.push_back(Plane::Filled(alpha.rect(), v));
  for (Plane& plane : p.planes) plane.constant.reset();
  p.planes.push_back(alpha.planes[0]);
  return p;
}

TEST(MeasureMatte, SpillIsWhatShowsAboveTheMeanOfTheOthers) {
  const double edge = kBody.Grow(2).area() - kBody.Grow(-1).area();
  const double rim = kBody.Grow(1).area() - kBody.area(), inner = kBody.area() - kBody.Grow(-1).area();
  const Picture green = Color(STRAIGHT, 0.1f, 0.5f, 0.3f, Body());
  MatteFigures f = FiguresOf(green);
  EXPECT_EQ(f.spill_pixels(), kBody.Grow(1).area());
  EXPECT_NEAR(f.edge_spill(), 0.3 * (inner + 0.5 * rim) / edge, 1e-6);
  EXPECT_EQ(FiguresOf(green, "screen: BLUE").spill_pixels(), 0u);
  EXPECT_EQ(FiguresOf(Color(STRAIGHT, 0.1f, 0.3f, 0.5f, Body()), "screen: BLUE").spill_pixels(), kBody.Grow(1).area());
  // Multiplied colour shows as it is.
  f = FiguresOf(Color(PREMULTIPLIED, 0.1f, 0.5f, 0.3f, Body()));
  EXPECT_NEAR(f.edge_spill(), 0.3, 1e-6);
  // A matte is measured with the colour that it cuts out.
  f = FiguresOf(OpTester("measure_matte { window: 0 color: 'c' }")
                    .Main(Body())
                    .With("color", Color(OPAQUE, 0.1f, 0.5f, 0.3f, Matte(kRect, 1))));
  EXPECT_NEAR(f.edge_spill(), 0.3 * (inner + 0.5 * rim) / edge, 1e-6);
}

TEST(MeasureMatte, DespillLeavesNone) {
  const Picture in = MakePicture(STRAIGHT, kRect);
  ASSERT_GT(FiguresOf(in).spill_pixels(), 0u);
  const MatteFigures f = FiguresOf(OpTester("despill {}").Main(in).Render());
  EXPECT_EQ(f.spill_pixels(), 0u);
  EXPECT_NEAR(f.edge_spill(), 0, 1e-6);
}

TEST(MeasureMatte, ClippedAndNegativePixelsCountWhereThereIsForeground) {
  Picture in = Color(STRAIGHT, 0.4f, 0.3f, 0.2f, Body());
  Fill({30, 30, 34, 33}, 1.0f, &in, 0);
  Fill({33, 30, 35, 33}, 2.5f, &in, 2);
  Fill({50, 50, 55, 52}, -0.01f, &in, 1);
  in.planes[1].at(60, 30) = NAN;
  in.planes[0].at(61, 30) = INFINITY;
  Fill({0, 10, 10, 15}, 3, &in, 0);  // on the screen
  Fill({0, 20, 10, 25}, -3, &in, 0);
  const MatteFigures f = FiguresOf(in);
  EXPECT_EQ(f.clipped_pixels(), 15u + 2);
  EXPECT_EQ(f.negative_pixels(), 10u);
  EXPECT_EQ(FiguresOf(in, "clip { value: 2 }").clipped_pixels(), 6u + 2);
}

// --- laws ---

TEST(MeasureMatte, EveryTargetGivesTheSameBytesAndNoFigureIsBad) {
  for (Kind kind : {MATTE, STRAIGHT, PREMULTIPLIED}) {
    for (bool bad : {false, true}) {
      OpTester tester("measure_matte { plate: 'p' core: 'c' garbage: 'o' color: 'k' area { value: 40 } }");
      if (bad) {
        for (int offset : {0, -1, 1}) {
          tester.Main(MakeBadPicture(kind, kRect, 1 + offset), offset);
          tester.With("plate", MakeBadPicture(OPAQUE, kRect, 5 + offset), offset);
        }
        tester.With("core", MakeBadPicture(MATTE, kRect, 9)).With("garbage", MakeBadPicture(MATTE, kRect, 10));
        tester.With("color", MakeBadPicture(STRAIGHT, kRect, 11));
      } else {
        tester.Main(kind);
      }
      const auto first = tester.RenderBlob();
      ASSERT_TRUE(first.ok()) << first.status();
      ForEverySimdTarget([&] { EXPECT_EQ(*tester.RenderBlob(), *first); });
      const MatteFigures f = FiguresOf(tester);
      for (double v : {f.flicker(), f.jump(), f.edge_spill()})
        EXPECT_TRUE(std::isfinite(v) && v >= 0) << f.DebugString();
    }
  }
}

TEST(MeasureMatte, NothingAndEverythingCovered) {
  const MatteFigures none = FiguresOf(Matte(kRect, 0)), all = FiguresOf(Matte(kRect, 1));
  EXPECT_EQ(none.covered_pixels() + none.edge_pixels() + none.hole_pixels() + none.speck_pixels(), 0u);
  EXPECT_EQ(all.covered_pixels(), kRect.area());
  EXPECT_EQ(all.soft_pixels() + all.edge_pixels() + all.hole_pixels() + all.speck_pixels(), 0u);
}

}  // namespace
}  // namespace selvage::worker
