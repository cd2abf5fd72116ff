#include <gtest/gtest.h>

#include <cmath>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 9, 7};

float MatteOf(const std::string& step, double r, double g, double b) {
  Picture p;
  p.kind = OPAQUE;
  for (double v : {r, g, b, 1.0}) p.planes.push_back(Plane::Filled(kRect, static_cast<float>(v)));
  return OpTester(step).Main(p).Render().planes[0].at(3, 3);
}

// RGB of a luminance and a chroma vector, both after division by Y + 0.01.
struct Rgb {
  double r, g, b;
};
Rgb FromChroma(double y, double length, double degrees) {
  const double cb = length * std::cos(degrees * M_PI / 180) * (y + 0.01);
  const double cr = length * std::sin(degrees * M_PI / 180) * (y + 0.01);
  const double b = y + 1.8556 * cb, r = y + 1.5748 * cr;
  return {r, (y - 0.2126 * r - 0.0722 * b) / 0.7152, b};
}
std::string StepFor(const Rgb& screen, const std::string& rest) {
  char text[200];
  std::snprintf(text, sizeof text, "chroma_range { screen { color { r: %.9f g: %.9f b: %.9f } } %s }", screen.r,
                screen.g, screen.b, rest.c_str());
  return text;
}
float MatteOf(const std::string& step, const Rgb& c) { return MatteOf(step, c.r, c.g, c.b); }

TEST(ChromaRange, KeepsTheLawsOfAllOperators) {
  OpTester("chroma_range {}").CheckLaws();
  OpTester("chroma_range { screen { hue: BLUE } soft_angle { value: 0 } }").CheckLaws();
  OpTester("chroma_range { screen { clean_plate: 'clean' } angle { value: 10 } }").CheckLaws();
}

TEST(ChromaRange, FallsOffWithTheAngleOnBothSides) {
  const Rgb screen = FromChroma(0.4, 0.5, 215);
  const std::string step = StepFor(screen, "angle { value: 20 } soft_angle { value: 10 }");
  for (double side : {-1.0, 1.0}) {
    for (const auto& [off, matte] :
         {std::pair{0.0, 0.0}, {19.9, 0.0}, {22.5, 0.25}, {25.0, 0.5}, {29.0, 0.9}, {31.0, 1.0}, {120.0, 1.0}}) {
      EXPECT_NEAR(MatteOf(step, FromChroma(0.4, 0.5, 215 + side * off)), matte, 1e-4) << side * off;
    }
  }
}

TEST(ChromaRange, FallsOffWithTheLength) {
  const Rgb screen = FromChroma(0.4, 0.5, 215);
  const std::string step = StepFor(screen, "inner { value: 0.2 } outer { value: 0.6 }");
  for (const auto& [share, matte] :
       {std::pair{0.1, 1.0}, {0.2, 1.0}, {0.3, 0.75}, {0.5, 0.25}, {0.61, 0.0}, {1.5, 0.0}}) {
    EXPECT_NEAR(MatteOf(step, FromChroma(0.4, 0.5 * share, 215)), matte, 1e-4) << share;
  }
}

TEST(ChromaRange, ShadowKeysLikeLight) {
  const Rgb screen = FromChroma(0.4, 0.5, 215);
  const std::string step = StepFor(screen, "");
  for (double y : {0.05, 0.2, 0.8}) EXPECT_NEAR(MatteOf(step, FromChroma(y, 0.5 * 0.4, 215)), 1 - 0.25 / 0.45, 1e-4);
}

TEST(ChromaRange, GreysAreForeground) {
  for (double v : {0.0, 0.01, 0.5, 20.0}) EXPECT_EQ(MatteOf("chroma_range {}", v, v, v), 1);
}

TEST(ChromaRange, PureHuesKeyThemselves) {
  EXPECT_EQ(MatteOf("chroma_range {}", 0, 0.5, 0), 0);
  EXPECT_EQ(MatteOf("chroma_range { screen { hue: BLUE } }", 0, 0, 0.5), 0);
  EXPECT_EQ(MatteOf("chroma_range {}", 0, 0, 0.5), 1);
}

TEST(ChromaRange, BadWedgesAndGreyScreensAreRefused) {
  Picture p = MakePicture(OPAQUE, kRect);
  EXPECT_EQ(OpTester("chroma_range { inner { value: 0.6 } outer { value: 0.6 } }").Main(p).TryRender().status().code(),
            absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(OpTester("chroma_range { screen { color { r: 1 g: 1 b: 1 } } }").Main(p).TryRender().status().code(),
            absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace selvage::worker
