// A sample box with something else than noise in it is noticed, noise is not.
#include "worker/kernels/motion/box_texture.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

using testing::AddNoise;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using testing::MovingScene;
using testing::SyntheticNoise;

constexpr Rect kBox = {6, 100, 54, 148};

Picture Screen(uint64_t seed, const SyntheticNoise& noise) {
  MovingScene scene;
  scene.screen_width = 60;
  scene.seed = seed;
  return AddNoise(scene.Truth(0), noise, seed);
}

double TextureOf(const Picture& p, const Rect& box) {
  return BoxTexture({&p.planes[0], &p.planes[1], &p.planes[2]}, box);
}

// Blurred by a kernel of 1 2 1 both ways, as debayered grain is.
Picture Smoothed(const Picture& in) {
  Picture out = in;
  for (int c = 0; c < 3; ++c) {
    out.planes[c] = Plane(in.rect());
    const Rect& r = in.rect();
    for (int y = r.y0; y < r.y1; ++y) {
      for (int x = r.x0; x < r.x1; ++x) {
        float sum = 0;
        for (int j = -1; j <= 1; ++j) {
          for (int i = -1; i <= 1; ++i) {
            const float w = (i == 0 ? 2.0f : 1.0f) * (j == 0 ? 2.0f : 1.0f);
            sum += w * in.planes[c].at(std::clamp(x + i, r.x0, r.x1 - 1), std::clamp(y + j, r.y0, r.y1 - 1));
          }
        }
        out.planes[c].at(x, y) = sum / 16;
      }
    }
  }
  return out;
}

TEST(BoxTexture, NoiseOfAnyKindIsNone) {
  for (uint64_t seed = 1; seed <= 12; ++seed) {
    for (const SyntheticNoise& noise :
         {SyntheticNoise{2e-4, 1e-5}, SyntheticNoise{6e-4, 4e-5}, SyntheticNoise{2e-3, 1e-4}}) {
      const Picture picture = Screen(seed, noise);
      EXPECT_LT(TextureOf(picture, kBox), 1.6) << seed;
      EXPECT_LT(TextureOf(Smoothed(picture), kBox), 1.8) << seed;
    }
  }
}

TEST(BoxTexture, AnEvenBoxWithoutNoiseHasNone) {
  Picture flat = Screen(1, {0, 0});
  for (int c = 0; c < 3; ++c) flat.planes[c] = Plane::Filled(flat.rect(), 0.3f);
  EXPECT_EQ(TextureOf(flat, kBox), 1);
  EXPECT_EQ(TextureOf(flat, {6, 100, 16, 110}), 1) << "a single block tells nothing";
}

// From the screen into what stands before it.
TEST(BoxTexture, OperatorsThatMeasureABoxSaySo) {
  const Picture picture = Screen(3, {6e-4, 4e-5});
  for (const std::string op : {"noise_profile", "sample_color"}) {
    const auto measured = [&](const Rect& box) {
      OpTester tester(absl::StrCat(op, " { box { x: ", box.x0, " y: ", box.y0, " width: ", box.width(),
                                   " height: ", box.height(), " } }"));
      tester.Main(picture);
      EXPECT_TRUE(tester.RenderBlob().ok()) << op;
      return tester.warnings();
    };
    EXPECT_THAT(measured(kBox), IsEmpty()) << op;
    EXPECT_THAT(measured({6, 100, 166, 180}), ElementsAre(HasSubstr("the box 6,100,160,80 has texture in it: it is ")))
        << op;
  }
}

}  // namespace
}  // namespace selvage::worker
