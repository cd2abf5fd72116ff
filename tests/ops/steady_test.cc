#include <gtest/gtest.h>

#include <cmath>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

using testing::AddNoise;
using testing::MovingScene;

constexpr int kFirst = -2, kLast = 3;

// Any key will do: the share of green over the larger of red and blue, with the
// levels of an everyday key.
Picture Key(const Picture& plate) {
  Picture matte;
  matte.kind = MATTE;
  const Rect& r = plate.rect();
  matte.planes.emplace_back(r);
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) {
      const float green = plate.planes[1].at(x, y) - std::max(plate.planes[0].at(x, y), plate.planes[2].at(x, y));
      const float m = (1 - green / 0.31f - 0.15f) / 0.75f;
      matte.planes[0].at(x, y) = std::clamp(m, 0.0f, 1.0f);
    }
  }
  return matte;
}

// Plates before bare green, noisy, their keys, and the exact coverage.
struct Shot {
  explicit Shot(MovingScene s) : scene(s) {
    scene.screen_width = scene.window.width();
    for (int f = kFirst; f <= kLast; ++f) {
      plates.push_back(AddNoise(scene.Truth(f), {}, 1000 * scene.seed + 10 + f));
      mattes.push_back(Key(plates.back()));
    }
  }
  const Picture& plate(int frame) const { return plates[frame - kFirst]; }
  const Picture& matte(int frame) const { return mattes[frame - kFirst]; }
  double Truth(int x, int y, int frame) const { return scene.Cover(x, y, frame); }

  OpTester Tester(int frame, int first, int last, const std::string& params = "") const {
    OpTester tester("steady { plate: 'p' window: 2 " + params + " }");
    for (int f = std::max(first, kFirst); f <= std::min(last, kLast); ++f) {
      tester.Main(matte(f), f - frame).With("plate", plate(f), f - frame);
    }
    return tester;
  }
  Picture Steadied(int frame, int window, const std::string& params = "") const {
    return Tester(frame, frame - window, frame + window, params).Render();
  }

  MovingScene scene;
  std::vector<Picture> plates, mattes;
};

// A fast object with thin arms, a slow one, one at rest, a very fast one that is
// little but blur, and two between.
const std::vector<Shot>& Shots() {
  static const auto* shots = [] {
    auto* all = new std::vector<Shot>;
    const double speed[][2] = {{12, -3}, {1.3, 0.4}, {0, 0}, {17, 5}, {5, 1.5}, {-8, 2}};
    for (int k = 0; k < 6; ++k) {
      MovingScene scene;
      scene.seed = 100 + 1000 * k;
      scene.foreground_x = speed[k][0];
      scene.foreground_y = speed[k][1];
      all->emplace_back(scene);
    }
    return all;
  }();
  return *shots;
}

// Soft in truth or next to it, away from the picture's edge.
template <class Visit>
void EachBandPixel(const Shot& shot, int frame, const Visit& visit) {
  const Rect r = shot.scene.window.Grow(-24);
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) {
      double least = 1, most = 0;
      for (int j = -1; j <= 1; ++j) {
        for (int i = -1; i <= 1; ++i) {
          const double t = shot.Truth(x + i, y + j, frame);
          least = std::min(least, t);
          most = std::max(most, t);
        }
      }
      if (least < 0.98 && most > 0.02) visit(x, y);
    }
  }
}

double BandError(const Picture& matte, const Shot& shot, int frame, bool thin) {
  double sum = 0;
  size_t count = 0;
  const MovingScene& s = shot.scene;
  EachBandPixel(shot, frame, [&](int x, int y) {
    // Beyond the disc there are only the arms, 5 pixels wide.
    const double cx = 160 + s.foreground_x * frame, cy = 120 + s.foreground_y * frame;
    if (thin && std::hypot(x - cx, y - cy) < 0.2 * 240 + 3) return;
    const double d = matte.planes[0].at(x, y) - shot.Truth(x, y, frame);
    sum += d * d;
    ++count;
  });
  return sum / static_cast<double>(count);
}

// Mean change of the error from frame 0 to frame 1 along the true motion: at a
// fixed pixel the key's own bias moves with the edge and hides the flicker.
double Flicker(const Picture& here, const Picture& next, const Shot& shot) {
  const auto error = [&](double x, double y) {
    const int ix = static_cast<int>(std::floor(x)), iy = static_cast<int>(std::floor(y));
    const double u = x - ix, v = y - iy;
    const auto at = [&](int i, int j) { return next.planes[0].at(ix + i, iy + j) - shot.Truth(ix + i, iy + j, 1); };
    return (1 - v) * ((1 - u) * at(0, 0) + u * at(1, 0)) + v * ((1 - u) * at(0, 1) + u * at(1, 1));
  };
  double sum = 0;
  size_t count = 0;
  EachBandPixel(shot, 0, [&](int x, int y) {
    const double now = here.planes[0].at(x, y) - shot.Truth(x, y, 0);
    sum += std::abs(error(x + shot.scene.foreground_x, y + shot.scene.foreground_y) - now);
    ++count;
  });
  return sum / static_cast<double>(count);
}

TEST(Steady, KeepsTheLawsOfAllOperators) {
  OpTester("steady { plate: 'p' window: 1 }").CheckLaws();
  OpTester("steady { plate: 'p' window: 2 noise: 0.05 }").CheckLaws();
}

TEST(Steady, FlickerFallsAlongTrueMotionAndErrorNeverRises) {
  double ratio = 0;
  for (const Shot& shot : Shots()) {
    for (int window : {1, 2}) {
      const Picture here = shot.Steadied(0, window), next = shot.Steadied(1, window);
      const double flicker = Flicker(here, next, shot) / Flicker(shot.matte(0), shot.matte(1), shot);
      const double band = BandError(here, shot, 0, false) / BandError(shot.matte(0), shot, 0, false);
      const double thin = BandError(here, shot, 0, true) / BandError(shot.matte(0), shot, 0, true);
      if (window == 1) ratio += flicker / static_cast<double>(Shots().size());
      RecordProperty(absl::StrCat("flicker_", shot.scene.seed, "_", window), std::to_string(flicker));
      EXPECT_LT(band, 1) << shot.scene.seed << " window " << window;
      EXPECT_LT(thin, 1) << shot.scene.seed << " window " << window;
    }
  }
  EXPECT_LE(ratio, 0.6);
}

}  // namespace
}  // namespace selvage::worker
