#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 60, 40};

Picture Solid(Kind kind, std::initializer_list<float> values, const Rect& rect = kRect) {
  Picture p;
  p.kind = kind;
  for (float v : values) p.planes.push_back(Plane::Filled(rect, v));
  return p;
}
Picture Matte(float v) { return Solid(MATTE, {v}); }

TEST(FillColor, KeepsTheLawsOfAllOperators) {
  OpTester("fill_color { color { r: 0.4 g: 0.2 b: 0.1 } amount { value: 0.7 } keep_luminance { value: 0.5 } }")
      .CheckLaws();
  OpTester("fill_color { sample { x: 1 y: 4 width: 3 height: 3 } mask: 'm' }").CheckLaws();
  OpTester("fill_color { core: 'core' sigma { value: 3 } keep_luminance { value: 1 } }").CheckLaws();
}

TEST(FillColor, PutsTheColourInAndKeepsAlpha) {
  const Picture in = MakePicture(STRAIGHT, kRect);
  const Picture out = OpTester("fill_color { color { r: 0.4 g: 0.2 b: 0.1 } }").Main(in).Render();
  EXPECT_TRUE(SameBits(Crop(out, kRect), Picture{STRAIGHT,
                                                 {Plane::Filled(kRect, 0.4f), Plane::Filled(kRect, 0.2f),
                                                  Plane::Filled(kRect, 0.1f), in.planes[3]}}));
}

TEST(FillColor, AmountZeroAndMaskZeroAreTheIdentity) {
  OpTester("fill_color { color { r: 1 g: 0 b: 0 } amount { value: 0 } }").CheckIdentity();
  OpTester("fill_color { color { r: 1 g: 0 b: 0 } mask: 'm' }")
      .Main(MakePicture(STRAIGHT, kRect))
      .With("mask", Matte(0))
      .CheckIdentity();
}

TEST(FillColor, AmountAndMaskShare) {
  const Picture in = Solid(STRAIGHT, {0.2f, 0.4f, 0.6f, 0.5f});
  const Picture out = OpTester("fill_color { color { r: 1 g: 0 b: 0 } amount { value: 0.5 } mask: 'm' }")
                          .Main(in)
                          .With("mask", Matte(0.5f))
                          .Render();
  EXPECT_NEAR(out.planes[0].at(5, 5), 0.4, 1e-6);
  EXPECT_NEAR(out.planes[1].at(5, 5), 0.3, 1e-6);
  EXPECT_NEAR(out.planes[2].at(5, 5), 0.45, 1e-6);
}

TEST(FillColor, KeptLuminanceIsKept) {
  const Picture in = Solid(STRAIGHT, {0.2f, 0.4f, 0.6f, 0.5f});
  const Picture out =
      OpTester("fill_color { color { r: 0.8 g: 0.1 b: 0.05 } keep_luminance { value: 1 } }").Main(in).Render();
  const auto y = [](const Picture& p) {
    return 0.2126 * p.planes[0].at(1, 1) + 0.7152 * p.planes[1].at(1, 1) + 0.0722 * p.planes[2].at(1, 1);
  };
  EXPECT_NEAR(y(out), y(in), 1e-6);
  EXPECT_NEAR(out.planes[0].at(1, 1) / out.planes[1].at(1, 1), 8, 1e-4);
  // Black has no chroma: grey of that luminance.
  const Picture grey =
      OpTester("fill_color { color { r: 0 g: 0 b: 0 } keep_luminance { value: 1 } }").Main(in).Render();
  for (int c = 0; c < 3; ++c) EXPECT_NEAR(grey.planes[c].at(1, 1), y(in), 1e-6);
}

TEST(FillColor, SampleIsTheMeasuredColour) {
  const Picture out = OpTester("fill_color { sample { x: 1 y: 1 width: 2 height: 2 } }")
                          .Main(MakePicture(STRAIGHT, kRect))
                          .WithNumbers("sample", {0.25f, 0.5f, 0.75f, 1.0f})
                          .Render();
  EXPECT_EQ(out.planes[0].at(7, 7), 0.25f);
  EXPECT_EQ(out.planes[1].at(7, 7), 0.5f);
  EXPECT_EQ(out.planes[2].at(7, 7), 0.75f);
}

// Red core on the left, green beyond it.
struct Scene {
  Picture color = Solid(STRAIGHT, {0, 0, 0, 1});
  Picture core = Matte(0);
};
Scene LeftCore() {
  Scene s;
  s.core.planes[0] = Plane(kRect);
  for (int c = 0; c < 3; ++c) s.color.planes[c] = Plane(kRect);
  for (int y = 0; y < kRect.y1; ++y) {
    for (int x = 0; x < kRect.x1; ++x) {
      const bool in = x < 20;
      s.core.planes[0].at(x, y) = in ? 1 : 0;
      s.color.planes[0].at(x, y) = in ? 0.6f : 0.1f;
      s.color.planes[1].at(x, y) = in ? 0.2f : 0.7f;
      s.color.planes[2].at(x, y) = in ? 0.1f : 0.3f;
    }
  }
  return s;
}

TEST(FillColor, LocalMeanOfTheCoreReachesOutAndStopsWhereThereIsNone) {
  const Scene s = LeftCore();
  const Picture out =
      OpTester("fill_color { core: 'core' sigma { value: 4 } }").Main(s.color).With("core", s.core).Render();
  for (int x : {0, 10, 19, 20, 25, 30}) {
    EXPECT_NEAR(out.planes[0].at(x, 20), 0.6, 1e-5) << x;
    EXPECT_NEAR(out.planes[1].at(x, 20), 0.2, 1e-5) << x;
  }
  // A Gaussian of deviation 4 weighs less than 1e-4 from 3.72 deviations on.
  for (int x : {36, 45, 59}) EXPECT_EQ(out.planes[1].at(x, 20), 0.7f) << x;
}

TEST(FillColor, EmptyCoreIsTheIdentity) {
  OpTester("fill_color { core: 'core' }").Main(MakePicture(STRAIGHT, kRect)).With("core", Matte(0)).CheckIdentity();
}

TEST(FillColor, SayingNothingIsRefused) {
  const auto out = OpTester("fill_color {}").Main(MakePicture(STRAIGHT, kRect)).TryRender();
  EXPECT_EQ(out.status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace selvage::worker
