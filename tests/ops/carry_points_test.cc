// Points carried by the motion of pictures whose true motion is known.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <opencv2/core.hpp>
#include <opencv2/video/tracking.hpp>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"
#include "tests/testing/simd_targets.h"
#include "worker/inputs/mask.h"
#include "worker/kernels/motion/carry.h"
#include "worker/kernels/motion/plate_rows.h"

namespace selvage::worker {
namespace {

using testing::AddNoise;
using ::testing::HasSubstr;
using testing::SyntheticNoise;
using testing::Texture;
using testing::ValueNoise;

// A textured ellipse over a bare, unevenly lit screen, moved by a similarity a
// frame about its own middle.
struct Shot {
  double angle = 0, scale = 1, dx = 0, dy = 0;
  // Contrast of its texture, and of the screen's.
  double texture = 0.5, screen = 0;
  // What bends it: its upper half leans by that many pixels a frame.
  double lean = 0;
  Rect window = {0, 0, 320, 240};
  double cx = 140, cy = 110, rx = 62, ry = 46;

  // Where what is at p in frame 0 is in frame t.
  Point At(Point p, double t) const {
    const double a = angle * t, s = std::pow(scale, t);
    double x = p.x - cx, y = p.y - cy;
    if (lean != 0) x += lean * t * Up(y);
    return {cx + dx * t + s * (std::cos(a) * x - std::sin(a) * y),
            cy + dy * t + s * (std::sin(a) * x + std::cos(a) * y)};
  }
  Point Back(Point p, double t) const {
    const double a = -angle * t, s = std::pow(scale, -t);
    const double x = p.x - cx - dx * t, y = p.y - cy - dy * t;
    const double by = s * (std::sin(a) * x + std::cos(a) * y);
    return {cx + s * (std::cos(a) * x - std::sin(a) * y) - (lean != 0 ? lean * t * Up(by) : 0), cy + by};
  }
  double Up(double y) const { return 1 / (1 + std::exp(y / 8)); }

  Picture Frame(int t, uint64_t seed = 0, double noise = 1) const {
    Picture picture;
    picture.kind = OPAQUE;
    for (int c = 0; c < 4; ++c) picture.planes.emplace_back(window);
    const double front[3] = {0.5, 0.38, 0.3}, back[3] = {0.08, 0.42, 0.12};
    for (int y = window.y0; y < window.y1; ++y) {
      for (int x = window.x0; x < window.x1; ++x) {
        const Point q = Back({x + 0.5, y + 0.5}, t);
        const double r = std::hypot((q.x - cx) / rx, (q.y - cy) / ry);
        const double cover = std::clamp(0.5 + (1 - r) * std::min(rx, ry), 0.0, 1.0);
        const double own = cover > 0 ? 1 + texture * Texture(q.x, q.y, 11) : 1;
        const double light = (1 + 0.15 * ValueNoise(x / 90.0, y / 90.0, 4)) * (1 + screen * Texture(x, y, 7));
        for (int c = 0; c < 3; ++c) {
          picture.planes[c].at(x, y) =
              static_cast<float>(std::max(0.004, cover * front[c] * own + (1 - cover) * back[c] * light));
        }
        picture.planes[3].at(x, y) = 1;
      }
    }
    return seed == 0 ? picture
                     : AddNoise(picture, SyntheticNoise{6e-4 * noise * noise, 4e-5 * noise * noise}, seed + t);
  }

  // Drawn loosely: `loose` pixels outside the ellipse, a path of eight curves' worth of points.
  Outline Drawn(double loose = 5, double t = 0) const {
    Outline outline;
    auto* xy = outline.add_path()->mutable_xy();
    const auto point = [&](double angle, double out) {
      const Point p = At({cx + out * (rx + loose) * std::cos(angle), cy + out * (ry + loose) * std::sin(angle)}, t);
      xy->Add(p.x);
      xy->Add(p.y);
    };
    // Handles on the tangent; a corner of an octagon is as good.
    constexpr int kCurves = 8;
    point(0, 1);
    for (int k = 0; k < kCurves; ++k) {
      const double step = 2 * 3.14159265358979 / kCurves;
      point((k + 0.33) * step, 1.01);
      point((k + 0.67) * step, 1.01);
      point((k + 1) * step, 1);
    }
    return outline;
  }
};

std::string MotionOf(const Picture& a, const Picture& b) {
  Measurement measurement;
  measurement.set_motion(
      EncodeMotion(EstimateBothWays(LumaOf(a, a.rect(), kCameraCurves), LumaOf(b, a.rect(), kCameraCurves))));
  return measurement.SerializeAsString();
}
Measurement Read(const std::string& bytes) {
  Measurement m;
  EXPECT_TRUE(m.ParseFromString(bytes));
  return m;
}

absl::StatusOr<Outline> Carry(const Outline& from, const std::string& motion, const std::string& more = "") {
  Measurement carried;
  *carried.mutable_outline() = from;
  const auto blob = OpTester(absl::StrCat("carry_points { from: 'x' motion: 'm' ", more, " }"))
                        .WithMeasured("from", carried)
                        .WithMeasured("motion", Read(motion))
                        .RenderBlob();
  if (!blob.ok()) return blob.status();
  return Read(*blob).outline();
}

// Largest distance of points that should be equal.
double Furthest(const Outline& a, const Outline& b) {
  double furthest = 0;
  EXPECT_EQ(a.path(0).xy_size(), b.path(0).xy_size());
  for (int i = 0; i + 1 < a.path(0).xy_size(); i += 2) {
    furthest =
        std::max(furthest, std::hypot(a.path(0).xy(i) - b.path(0).xy(i), a.path(0).xy(i + 1) - b.path(0).xy(i + 1)));
  }
  return furthest;
}

// Error after some frames.
double ErrorAfter(const Shot& shot, int frames, uint64_t noise_seed = 100, double noise = 1) {
  Outline outline = shot.Drawn();
  Picture before = shot.Frame(0, noise_seed, noise);
  for (int t = 1; t <= frames; ++t) {
    Picture now = shot.Frame(t, noise_seed, noise);
    auto next = Carry(outline, MotionOf(before, now));
    if (!next.ok()) {
      ADD_FAILURE() << "frame " << t << ": " << next.status();
      return 1e9;
    }
    outline = *std::move(next);
    before = std::move(now);
  }
  return Furthest(outline, shot.Drawn(5, frames));
}

TEST(CarryPoints, StandsStillWithTheSamePicture) {
  const Shot shot;
  const Picture frame = shot.Frame(0, 5);
  const auto carried = Carry(shot.Drawn(), MotionOf(frame, frame));
  ASSERT_TRUE(carried.ok()) << carried.status();
  EXPECT_EQ(Furthest(*carried, shot.Drawn()), 0);
}

TEST(CarryPoints, FollowsAShift) {
  for (const auto& [dx, dy] : {std::pair{3.0, -1.0}, {0.4, 0.3}, {-9.3, 4.6}, {14.0, 0.0}}) {
    Shot shot;
    shot.dx = dx;
    shot.dy = dy;
    shot.cx = dx < 0 ? 220 : 100;
    EXPECT_LT(ErrorAfter(shot, 8), 2) << dx << " " << dy;
  }
}

TEST(CarryPoints, FollowsATurnAGrowthAndALean) {
  Shot turning, growing, all, leaning;
  turning.angle = 0.05;
  growing.scale = 1.03;
  all.angle = -0.04;
  all.scale = 0.98;
  all.dx = 5;
  all.dy = 2;
  leaning.lean = 2;
  EXPECT_LT(ErrorAfter(turning, 8), 2.5);
  EXPECT_LT(ErrorAfter(growing, 8), 2.5);
  EXPECT_LT(ErrorAfter(all, 8), 2.5);
  // What an affine motion of the whole would leave is more than the half of 16.
  EXPECT_LT(ErrorAfter(leaning, 8), 4);
}

// A board without texture has only its edges; noise must not weigh as much.
TEST(CarryPoints, FollowsByEdgesAlone) {
  Shot shot;
  shot.texture = 0;
  shot.dx = 4;
  shot.dy = 2;
  EXPECT_LT(ErrorAfter(shot, 8), 2.5);
}

TEST(CarryPoints, ATexturedScreenBehindALooseOutlineDoesNotHoldIt) {
  Shot shot;
  shot.screen = 0.3;
  shot.dx = 4;
  EXPECT_LT(ErrorAfter(shot, 8), 2.5);
}

TEST(CarryPoints, HeavyNoiseMakesItStrayALittle) {
  Shot shot;
  shot.dx = 5;
  shot.dy = -2;
  EXPECT_LT(ErrorAfter(shot, 8, 200, 2.5), 3.5);
}

// Forward over some frames and back again over the same motion.
TEST(CarryPoints, BackwardUndoesForward) {
  Shot shot;
  shot.angle = 0.03;
  shot.dx = 6;
  Outline outline = shot.Drawn();
  std::vector<std::string> motion;
  for (int t = 0; t < 6; ++t) motion.push_back(MotionOf(shot.Frame(t, 9), shot.Frame(t + 1, 9)));
  for (int t = 0; t < 6; ++t) outline = Carry(outline, motion[t]).value();
  EXPECT_GT(Furthest(outline, shot.Drawn()), 20);
  for (int t = 6; t-- > 0;) outline = Carry(outline, motion[t], "backward: true").value();
  EXPECT_LT(Furthest(outline, shot.Drawn()), 1);
}

// A tenth of all vectors torn off at random, with grip as if they were sure.
TEST(CarryPoints, WrongVectorsDoNotThrowIt) {
  Shot shot;
  shot.dx = 6;
  Measurement measurement = Read(MotionOf(shot.Frame(0, 3), shot.Frame(1, 3)));
  const auto good = Carry(shot.Drawn(), measurement.SerializeAsString());
  MotionPair pair = DecodeMotion(measurement.motion()).value();
  testing::Random random(8);
  const Rect cells = pair.there.vectors.cells();
  for (int j = cells.y0; j < cells.y1; ++j) {
    for (int i = cells.x0; i < cells.x1; ++i) {
      if (random.Uniform() < 0.1) pair.there.vectors.At(i, j) = {150, -150};
      if (random.Uniform() < 0.1) pair.back.vectors.At(i, j) = {-90, 20};
    }
  }
  measurement.set_motion(EncodeMotion(pair));
  const auto carried = Carry(shot.Drawn(), measurement.SerializeAsString());
  ASSERT_TRUE(good.ok() && carried.ok());
  EXPECT_LT(Furthest(*carried, *good), 0.5);
}

// Per-cell errors over the object, ours and that of Lucas & Kanade's pyramid as
// OpenCV has it, on the same luma, and what is made of ours for the outline.
TEST(CarryPoints, IsAsExactAsOpenCvsLucasKanade) {
  Shot shot;
  shot.angle = 0.03;
  shot.scale = 1.01;
  shot.dx = 5;
  shot.dy = -3;
  const Picture frames[2] = {shot.Frame(0, 40), shot.Frame(1, 40)};
  cv::Mat grey[2];
  for (int k = 0; k < 2; ++k) {
    grey[k].create(shot.window.height(), shot.window.width(), CV_8U);
    for (int y = 0; y < shot.window.height(); ++y) {
      for (int x = 0; x < shot.window.width(); ++x) {
        double sum = 0;
        for (int c = 0; c < 3; ++c) sum += frames[k].planes[c].at(x, y) / 3;
        grey[k].at<uint8_t>(y, x) = cv::saturate_cast<uint8_t>(255 * std::sqrt(std::max(0.0, sum)));
      }
    }
  }
  std::vector<cv::Point2f> points, found;
  for (int y = 0; y < shot.window.height(); y += 8) {
    for (int x = 0; x < shot.window.width(); x += 8) {
      if (std::hypot((x + 4 - shot.cx) / shot.rx, (y + 4 - shot.cy) / shot.ry) < 0.95)
        points.push_back({x + 3.5f, y + 3.5f});
    }
  }
  std::vector<uint8_t> status;
  std::vector<float> error;
  cv::calcOpticalFlowPyrLK(grey[0], grey[1], points, found, status, error);

  std::vector<Chord> chords;
  const Outline drawn = shot.Drawn();
  ASSERT_TRUE(FlattenPath(drawn.path(0).xy(), &chords).ok());
  const MotionPair pair = DecodeMotion(Read(MotionOf(frames[0], frames[1])).motion()).value();
  const ShapeMotion moved(chords, FillRule::kNonZero, false, pair.there, pair.back);
  ASSERT_FALSE(moved.lost());
  double ours = 0, cell = 0, theirs = 0;
  int counted = 0;
  for (size_t k = 0; k < points.size(); ++k) {
    if (!status[k]) continue;
    const Point p{points[k].x + 0.5, points[k].y + 0.5}, truth = shot.At(p, 1), by = moved.Of(p);
    const MotionVector& v = pair.there.vectors.At(static_cast<int>(p.x) / 8, static_cast<int>(p.y) / 8);
    ours += std::hypot(p.x + by.x - truth.x, p.y + by.y - truth.y);
    cell += std::hypot(p.x + 0.25 * v.x - truth.x, p.y + 0.25 * v.y - truth.y);
    theirs += std::hypot(found[k].x + 0.5 - truth.x, found[k].y + 0.5 - truth.y);
    ++counted;
  }
  ASSERT_GT(counted, 80);
  std::printf("mean error of %d points: carried %.3f px, cells %.3f px, Lucas-Kanade %.3f px\n", counted,
              ours / counted, cell / counted, theirs / counted);
  EXPECT_LT(ours, theirs);
  EXPECT_LT(ours / counted, 0.15);
}

// --- lost ------------------------------------------------------------------------

TEST(CarryPoints, SaysSoWhenItHasLostThePicture) {
  Shot shot, elsewhere;
  elsewhere.cx = 250;
  elsewhere.cy = 60;
  elsewhere.texture = -0.5;
  const auto lost = Carry(shot.Drawn(), MotionOf(shot.Frame(0, 3), elsewhere.Frame(0, 8)));
  ASSERT_FALSE(lost.ok());
  EXPECT_EQ(lost.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(lost.status().message(), "shape 1 has lost what it follows; draw it at frame 1001");
}

TEST(CarryPoints, BareScreenIsNothingToFollow) {
  Shot shot;
  Outline aside = shot.Drawn();
  for (int i = 0; i < aside.path(0).xy_size(); ++i) {
    double v = aside.path(0).xy(i);
    aside.mutable_path(0)->set_xy(i, i % 2 == 0 ? 20 + 0.1 * v : v);
  }
  const auto lost = Carry(aside, MotionOf(shot.Frame(0, 3), shot.Frame(1, 3)));
  EXPECT_FALSE(lost.ok());
}

TEST(CarryPoints, MotionBeyondReachIsLost) {
  Shot shot;
  shot.cx = 90;
  shot.dx = 120;
  EXPECT_FALSE(Carry(shot.Drawn(), MotionOf(shot.Frame(0, 3), shot.Frame(1, 3))).ok());
}

TEST(CarryPoints, OutsideThePictureItStays) {
  Shot shot;
  shot.dx = 5;
  Outline outside = shot.Drawn();
  for (int i = 0; i < outside.path(0).xy_size(); i += 2)
    outside.mutable_path(0)->set_xy(i, outside.path(0).xy(i) + 1000);
  const auto carried = Carry(outside, MotionOf(shot.Frame(0, 3), shot.Frame(1, 3)));
  ASSERT_TRUE(carried.ok()) << carried.status();
  EXPECT_EQ(Furthest(*carried, outside), 0);
}

// A hole: what it is cut from moves, the screen in it doesn't.
TEST(CarryPoints, AHoleGoesWithWhatLiesAroundIt) {
  Shot shot;
  shot.dx = 5;
  shot.rx = 90;
  shot.ry = 75;
  Shot frame = shot;
  // The hole is a second ellipse's outline, taken out of the first by hand.
  const auto with_hole = [&](int t) {
    Picture picture = shot.Frame(t);
    for (int y = 0; y < 240; ++y) {
      for (int x = 0; x < 320; ++x) {
        if (std::hypot(x + 0.5 - shot.cx - 5 * t, y + 0.5 - shot.cy) > 36) continue;
        const double light = 0.42 * (1 + 0.6 * Texture(x, y, 7));
        picture.planes[0].at(x, y) = static_cast<float>(0.2 * light);
        picture.planes[1].at(x, y) = static_cast<float>(light);
        picture.planes[2].at(x, y) = static_cast<float>(0.3 * light);
      }
    }
    return AddNoise(picture, SyntheticNoise{}, 60 + t);
  };
  frame.rx = frame.ry = 36;
  const std::string motion = MotionOf(with_hole(0), with_hole(1));
  const auto around = Carry(frame.Drawn(1), motion, "around: true");
  ASSERT_TRUE(around.ok()) << around.status();
  EXPECT_LT(Furthest(*around, frame.Drawn(1, 1)), 0.7);
}

// --- general ---------------------------------------------------------------------

TEST(CarryPoints, BeginsAtADrawingAsAtWhatWasCarried) {
  Shot shot;
  shot.dx = 3;
  const std::string motion = MotionOf(shot.Frame(0, 3), shot.Frame(1, 3));
  const Outline drawn = shot.Drawn();
  const auto blob = OpTester(absl::StrCat("carry_points { drawn { ", drawn.ShortDebugString(), " } motion: 'm' }"))
                        .WithMeasured("motion", Read(motion))
                        .RenderBlob();
  ASSERT_TRUE(blob.ok()) << blob.status();
  EXPECT_LT(Furthest(Read(*blob).outline(), Carry(drawn, motion).value()), 1e-6);
}

TEST(CarryPoints, HasTheSameBytesOnEveryTarget) {
  Shot shot;
  shot.dx = 3.3;
  shot.angle = 0.02;
  const Picture a = shot.Frame(0, 3), b = shot.Frame(1, 3);
  const std::string first = Carry(shot.Drawn(), MotionOf(a, b)).value().SerializeAsString();
  ForEverySimdTarget([&] { EXPECT_EQ(Carry(shot.Drawn(), MotionOf(a, b)).value().SerializeAsString(), first); });
}

TEST(CarryPoints, DamagedInputIsNamed) {
  Shot shot;
  Measurement bad;
  bad.set_motion("nonsense");
  const auto carried = Carry(shot.Drawn(), bad.SerializeAsString());
  EXPECT_EQ(carried.status().code(), absl::StatusCode::kDataLoss);
  EXPECT_THAT(std::string(carried.status().message()), HasSubstr("motion field"));
}

}  // namespace
}  // namespace selvage::worker
