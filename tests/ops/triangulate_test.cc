#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{-3, 2, 90, 70};
constexpr char kColors[] =
    "screen { color { r: 0 g: 0.8 b: 0.1 } } with: 'other' with_screen { color { r: 0.1 g: 0.1 b: 0.9 } }";
const float kScreen[] = {0, 0.8f, 0.1f}, kOther[] = {0.1f, 0.1f, 0.9f};

Picture Solid(float r, float g, float b) {
  Picture p;
  p.kind = OPAQUE;
  for (float v : {r, g, b, 1.0f}) p.planes.push_back(Plane::Filled(kRect, v));
  return p;
}

// A premultiplied picture before a screen.
Picture Before(const Picture& front, const float* screen) {
  Picture p = front;
  p.kind = OPAQUE;
  for (int c = 0; c < 3; ++c) {
    p.planes[c] = Plane(kRect);
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) {
        p.planes[c].at(x, y) = front.planes[c].at(x, y) + (1 - front.planes[3].at(x, y)) * screen[c];
      }
    }
  }
  p.planes[3] = Plane::Filled(kRect, 1);
  return p;
}

TEST(Triangulate, KeepsTheLawsOfAllOperators) {
  OpTester(std::string("triangulate { ") + kColors + " }").CheckLaws();
  OpTester("triangulate { screen { clean_plate: 's' } with: 'other' with_screen { clean_plate: 't' } }").CheckLaws();
  OpTester(
      "triangulate { screen { sample { width: 8 height: 8 } } with: 'other'"
      " with_screen { color { r: 0.1 g: 0.1 b: 0.9 } } }")
      .CheckLaws();
}

// The triangulation theorem of Smith & Blinn 1996, worked by hand for
// alpha .35, colour (.7, .4, .2).
TEST(Triangulate, WorkedExample) {
  const Picture out = OpTester(std::string("triangulate { ") + kColors + " }")
                          .Main(Solid(.245f, .66f, .135f))
                          .With("with", Solid(.31f, .205f, .655f))
                          .Render();
  const double known[] = {.245, .14, .07, .35};
  EXPECT_EQ(out.kind, PREMULTIPLIED);
  for (int c = 0; c < 4; ++c) EXPECT_NEAR(out.planes[c].at(4, 4), known[c], 1e-6);
}

TEST(Triangulate, GivesBackWhatWasBeforeTheScreens) {
  const Picture truth = MakePicture(PREMULTIPLIED, kRect);
  for (const char* params : {kColors, "screen { clean_plate: 's' } with: 'other' with_screen { clean_plate: 't' }"}) {
    const Picture out = OpTester(std::string("triangulate { ") + params + " }")
                            .Main(Before(truth, kScreen))
                            .With("with", Before(truth, kOther))
                            .With("screen.clean_plate", Solid(kScreen[0], kScreen[1], kScreen[2]))
                            .With("with_screen.clean_plate", Solid(kOther[0], kOther[1], kOther[2]))
                            .Render();
    for (int c = 0; c < 4; ++c) {
      for (int y = kRect.y0; y < kRect.y1; ++y) {
        for (int x = kRect.x0; x < kRect.x1; ++x) ASSERT_NEAR(out.planes[c].at(x, y), truth.planes[c].at(x, y), 1e-6);
      }
    }
  }
}

// Noise that differs between the two takes: the mean of both has less of it than
// either alone (half the variance where the matte is solid).
TEST(Triangulate, ColourIsTheMeanOfBothTakes) {
  const Picture out = OpTester(std::string("triangulate { ") + kColors + " }")
                          .Main(Solid(.52f, .4f, .2f))
                          .With("with", Solid(.48f, .4f, .2f))
                          .Render();
  EXPECT_NEAR(out.planes[0].at(4, 4), .5, 1e-6);
}

TEST(Triangulate, MatteStaysWithin0And1) {
  // Further apart than the screens themselves, and apart the other way.
  const OpTester tester(std::string("triangulate { ") + kColors + " }");
  EXPECT_EQ(OpTester(tester).Main(Solid(0, .9f, 0)).With("with", Solid(.1f, 0, 1)).Render().planes[3].at(4, 4), 0.0f);
  EXPECT_EQ(OpTester(tester).Main(Solid(.1f, 0, 1)).With("with", Solid(0, .9f, 0)).Render().planes[3].at(4, 4), 1.0f);
}

TEST(Triangulate, SameScreensShowNothing) {
  EXPECT_EQ(OpTester("triangulate { screen { clean_plate: 's' } with: 'o' with_screen { clean_plate: 't' } }")
                .Main(Solid(.2f, .3f, .4f))
                .With("with", Solid(.3f, .3f, .4f))
                .With("screen.clean_plate", Solid(0, 1, 0))
                .With("with_screen.clean_plate", Solid(0, 1, 0))
                .Render()
                .planes[3]
                .at(4, 4),
            1.0f);
  const auto refused = OpTester(
                           "triangulate { screen { color { r: 0 g: 1 b: 0 } } with: 'o'"
                           " with_screen { color { r: 0 g: 1 b: 0 } } }")
                           .TryRender();
  EXPECT_EQ(refused.status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace selvage::worker
