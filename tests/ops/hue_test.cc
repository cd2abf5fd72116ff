// No hue is special: a scene whose channels are permuted, or whose hue is turned
// about the grey axis in linear light, gives the matte that it gave before.
#include <gtest/gtest.h>

#include <cmath>
#include <string>

#include "absl/strings/str_cat.h"
#include "tests/ops/keyed_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

using testing::KeyedScene;

// A screen pale enough to stay a colour when it is turned.
KeyedScene Pale() { return {.screen = {0.22, 0.5, 0.28}, .front = {0.5, 0.36, 0.3}}; }

// R goes to G, G to B, B to R: a turn by 120 degrees, and exact.
Picture Permuted(const Picture& in) {
  Picture out = in;
  for (int c = 0; c < 3; ++c) out.planes[(c + 1) % 3] = in.planes[c];
  return out;
}

Picture Turned(const Picture& in, double degrees) {
  return OpTester(absl::StrCat("hue_rotate { rotate { value: ", degrees, " } }")).Main(in).Render();
}

Picture Keyed(const Picture& plate) {
  const Picture clean = OpTester("screen_plate {}").Main(plate).Render();
  return OpTester("unmix { clean_plate: 'p' }").Main(plate).With("clean_plate", clean).Render();
}
Picture Sure(const Picture& plate, const Picture& clean) {
  return OpTester("sure_screen { clean_plate: 'p' }").Main(plate).With("clean_plate", clean).Render();
}
Picture Levelled(const Picture& plate, const double screen[3], const char* axis) {
  const Picture key = OpTester(absl::StrCat("color_difference { axis: ", axis, " screen { color { r: ", screen[0],
                                            " g: ", screen[1], " b: ", screen[2], " } } }"))
                          .Main(plate)
                          .Render();
  return OpTester("levels { black { value: 0.1 } white { value: 0.8 } }").Main(key).Render();
}

struct Difference {
  double largest = 0, mean_square = 0;
  // Share of pixels further apart than halves near 1 are.
  double seen = 0;
};
Difference Between(const Picture& a, const Picture& b) {
  Difference d;
  const Rect& r = a.rect();
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) {
      const double e = std::abs(a.planes[0].at(x, y) - b.planes[0].at(x, y));
      d.largest = std::max(d.largest, e);
      d.mean_square += e * e / static_cast<double>(r.area());
      d.seen += (e > 0x1p-10) / static_cast<double>(r.area());
    }
  }
  return d;
}

TEST(Hue, PermutedChannelsGiveTheSameMatte) {
  for (const KeyedScene& scene : {KeyedScene{}, Pale()}) {
    const auto drawn = scene.Draw();
    Picture plate = drawn.plate, clean = drawn.clean;
    const Picture keyed = Keyed(plate), sure = Sure(plate, clean);
    const double screen[] = {0.08, 0.5, 0.13};
    for (int turn = 1; turn < 3; ++turn) {
      plate = Permuted(plate), clean = Permuted(clean);
      // Sums of three channels are rounded in another order: within half precision.
      const Difference chain = Between(Keyed(plate), keyed);
      EXPECT_LT(chain.largest, 0x1p-10) << turn;
      EXPECT_EQ(Between(Sure(plate, clean), sure).largest, 0) << turn;
      double turned[3];
      for (int c = 0; c < 3; ++c) turned[(c + turn) % 3] = screen[c];
      // Which of the other channels is larger changes no bit along a channel.
      EXPECT_TRUE(SameBits(Levelled(plate, turned, "CHANNEL"), Levelled(drawn.plate, screen, "CHANNEL"))) << turn;
      EXPECT_LT(Between(Levelled(plate, turned, "GENERAL"), Levelled(drawn.plate, screen, "GENERAL")).largest, 0x1p-18);
    }
  }
}

// Between primaries the noise is another: its level follows each channel's light.
TEST(Hue, ATurnedScreenIsKeyedAsWell) {
  const KeyedScene scene = Pale();
  const auto drawn = scene.Draw();
  const Picture keyed = Keyed(drawn.plate), sure = Sure(drawn.plate, drawn.clean);
  const double own = testing::MeanSquare(keyed.planes[0], drawn.alpha.planes[0]);
  const double screen[] = {scene.screen[0], scene.screen[1], scene.screen[2]};
  const Picture general = Levelled(drawn.plate, screen, "GENERAL");
  for (double degrees : {25.0, 60.0, 95.0, 180.0, 290.0}) {
    const Picture plate = Turned(drawn.plate, degrees), clean = Turned(drawn.clean, degrees);
    for (int c = 0; c < 3; ++c) {
      for (int y = 0; y < scene.window.y1; ++y) {
        for (int x = 0; x < scene.window.x1; ++x) ASSERT_GT(clean.planes[c].at(x, y), 0.02);
      }
    }
    const Picture turned = Keyed(plate);
    EXPECT_LT(testing::MeanSquare(turned.planes[0], drawn.alpha.planes[0]), 1.3 * own) << degrees;
    EXPECT_LT(Between(turned, keyed).mean_square, own) << degrees;
    EXPECT_LT(Between(Sure(plate, clean), sure).seen, 0.01) << degrees;
    // Along an axis through the grey one a turn is no change at all.
    Picture paint = MakeConstant(OPAQUE, {0, 0, 1, 1}, 0);
    for (int c = 0; c < 3; ++c) paint.planes[c] = Plane::Filled({0, 0, 1, 1}, static_cast<float>(screen[c]));
    const Picture painted = Turned(paint, degrees);
    const double rgb[] = {painted.planes[0].at(0, 0), painted.planes[1].at(0, 0), painted.planes[2].at(0, 0)};
    EXPECT_LT(Between(Levelled(plate, rgb, "GENERAL"), general).largest, 2e-5) << degrees;
  }
}

}  // namespace
}  // namespace selvage::worker
