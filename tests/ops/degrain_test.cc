#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <opencv2/photo.hpp>
#include <thread>

#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"
#include "tests/testing/simd_targets.h"
#include "worker/kernels/motion/noise.h"

namespace selvage::worker {
namespace {

using testing::AddNoise;
using testing::MovingScene;
using testing::SyntheticNoise;

// The noise that tests use unless they say otherwise, as parameters.
constexpr char kMedium[] = "profile { a { r: 6e-4 g: 6e-4 b: 6e-4 } b { r: 4e-5 g: 4e-5 b: 4e-5 } }";

// Frames -2 .. 2 of a scene, with and without noise.
struct Shot {
  explicit Shot(const MovingScene& scene, const SyntheticNoise& noise = {}) : noise(noise) {
    for (int f = -2; f <= 2; ++f) {
      truth.push_back(scene.Truth(f));
      noisy.push_back(AddNoise(truth.back(), noise, 1000 * scene.seed + 10 + f));
    }
  }
  // Frame 0 degrained with `window` frames on both sides.
  OpTester Tester(int window, const std::string& params) const {
    OpTester tester("degrain { window: " + std::to_string(window) + " " + params + " }");
    for (int f = -window; f <= window; ++f) tester.Main(noisy[f + 2], f);
    return tester;
  }
  Picture Degrained(int window, const std::string& params = kMedium) const { return Tester(window, params).Render(); }
  const Picture& clean() const { return truth[2]; }
  const Picture& grainy() const { return noisy[2]; }

  SyntheticNoise noise;
  std::vector<Picture> truth, noisy;
};

// A fast object with thin arms; a still background with a slow one; all fast.
std::vector<MovingScene> Scenes() {
  MovingScene fast, slow, pan;
  fast.seed = 100;
  slow.seed = 1100;
  slow.background_x = slow.background_y = 0;
  slow.foreground_x = 1.3;
  pan.seed = 2100;
  pan.background_x = -6.6;
  pan.background_y = 2.2;
  pan.foreground_x = 17;
  return {fast, slow, pan};
}
const std::vector<Shot>& Shots() {
  static const auto* shots = [] {
    auto* all = new std::vector<Shot>;
    for (const MovingScene& scene : Scenes()) all->emplace_back(scene);
    return all;
  }();
  return *shots;
}

// Generalised Anscombe transform of a known noise, in units of its sigma.
double Stabilised(double y, const SyntheticNoise& n) {
  const double c = 0.375 * n.a * n.a + n.b;
  return 2 * y / (std::sqrt(std::max(n.a * y + c, 0.0)) + std::sqrt(c));
}

// Mean squared error against the truth in that space where `counts(x, y)`.
template <class Where>
double ErrorWhere(const Picture& picture, const Shot& shot, const Where& counts) {
  double sum = 0;
  size_t count = 0;
  const Rect& r = picture.rect();
  for (int y = r.y0; y < r.y1; ++y) {
    for (int x = r.x0; x < r.x1; ++x) {
      if (!counts(x, y)) continue;
      for (int c = 0; c < 3; ++c) {
        const double d = Stabilised(picture.planes[c].at(x, y), shot.noise) -
                         Stabilised(shot.clean().planes[c].at(x, y), shot.noise);
        sum += d * d;
        ++count;
      }
    }
  }
  return sum / static_cast<double>(count);
}
double Error(const Picture& picture, const Shot& shot) {
  return ErrorWhere(picture, shot, [](int, int) { return true; });
}
double Gain(const Picture& picture, const Shot& shot) {
  return 10 * std::log10(Error(shot.grainy(), shot) / Error(picture, shot));
}

TEST(Degrain, KeepsTheLawsOfAllOperators) {
  OpTester(std::string("degrain { window: 1 ") + kMedium + " }").CheckLaws();
  OpTester("degrain { window: 0 }").CheckLaws();
}

TEST(Degrain, StrengthZeroReturnsTheInputBits) {
  const Shot& shot = Shots()[0];
  EXPECT_TRUE(SameBits(shot.Degrained(1, std::string(kMedium) + " strength { r: 0 g: 0 b: 0 }"), shot.grainy()));
  const Picture some = shot.Degrained(1, std::string(kMedium) + " strength { r: 1 g: 0 b: 1 }");
  for (int y = 0; y < 240; ++y) {
    ASSERT_EQ(std::memcmp(some.planes[1].row(y), shot.grainy().planes[1].row(y), sizeof(float) * 320), 0);
  }
  EXPECT_GT(Gain(some, shot), 3);
}

TEST(Degrain, NoNoiseReturnsTheInputBits) {
  const Shot& shot = Shots()[0];
  EXPECT_TRUE(SameBits(shot.Degrained(1, "profile { a { r: 0 g: 0 b: 0 } b { r: 0 g: 0 b: 0 } }"), shot.grainy()));
}

TEST(Degrain, StrengthIsTheShareTakenAway) {
  const Shot& shot = Shots()[0];
  const Picture all = shot.Degrained(1);
  const Picture part = shot.Degrained(1, std::string(kMedium) + " strength { r: 0.25 g: 1 b: 0.75 }");
  const float share[3] = {0.25f, 1, 0.75f};
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < 240; y += 3) {
      for (int x = 0; x < 320; ++x) {
        const float in = shot.grainy().planes[c].at(x, y);
        ASSERT_NEAR(part.planes[c].at(x, y), in + share[c] * (all.planes[c].at(x, y) - in), 1e-6);
      }
    }
  }
}

TEST(Degrain, GrainAndPictureAddUpToTheInput) {
  const Shot& shot = Shots()[0];
  const Picture picture = shot.Degrained(1), grain = shot.Degrained(1, std::string(kMedium) + " grain: true");
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < 240; ++y) {
      for (int x = 0; x < 320; ++x) {
        ASSERT_NEAR(picture.planes[c].at(x, y) + grain.planes[c].at(x, y), shot.grainy().planes[c].at(x, y), 1e-7);
      }
    }
  }
}

// All that happens to a noise-free plane is the correction of the bias that
// noise would have had (a/6), and rounding below that of storage (2^-11).
TEST(Degrain, EvenPlateStaysEven) {
  Picture picture = MakeConstant(OPAQUE, {0, 0, 96, 64}, 0.3f);
  for (Plane& plane : picture.planes) plane.constant.reset();
  // One odd pixel, so that the plate does not count as painted all over.
  picture.planes[0].at(95, 63) = 0.31f;
  OpTester tester(std::string("degrain { window: 1 ") + kMedium + " }");
  const Picture out = tester.Main(picture).Main(picture, -1).Main(picture, 1).Render();
  for (int c = 0; c < 3; ++c) {
    const float level = picture.planes[c].at(0, 0);
    for (int y = 0; y < 48; ++y) {
      for (int x = 0; x < 80; ++x) ASSERT_NEAR(out.planes[c].at(x, y), level + 1e-4f, level / 2048) << c << " " << x;
    }
  }
}

TEST(Degrain, AlphaIsUntouched) {
  const Picture picture = MakePicture(STRAIGHT, {0, 0, 90, 70}, 3);
  const Picture out = OpTester(std::string("degrain { window: 0 ") + kMedium + " }").Main(picture).Render();
  EXPECT_EQ(out.kind, STRAIGHT);
  for (int y = 0; y < 70; ++y) {
    ASSERT_EQ(std::memcmp(out.planes[3].row(y), picture.planes[3].row(y), 90 * sizeof(float)), 0);
  }
}

TEST(Degrain, BadPixelsPassThroughAndHarmNoOther) {
  Shot shot(Scenes()[0]);
  const float bad[3] = {NAN, INFINITY, 1e30f};
  for (int f = 0; f < 5; ++f) {
    for (int k = 0; k < 3; ++k) shot.noisy[f].planes[k].at(100 + 40 * k, 60 + f) = bad[k];
  }
  const Picture out = shot.Degrained(1);
  EXPECT_TRUE(std::isnan(out.planes[0].at(100, 62)));
  EXPECT_EQ(out.planes[1].at(140, 62), INFINITY);
  EXPECT_EQ(out.planes[2].at(180, 62), 1e30f);
  const auto elsewhere = [](int x, int y) { return y != 62 || (x != 100 && x != 140 && x != 180); };
  // The noise itself is 1 in this measure.
  EXPECT_LT(ErrorWhere(out, shot, elsewhere), 0.11);
}

TEST(Degrain, EveryTargetGivesTheSameBits) { Shots()[0].Tester(2, kMedium).CheckEveryTargetGivesTheSameBits(); }

TEST(Degrain, ThreadsAndOrderOfFramesDoNotMatter) {
  const Shot& shot = Shots()[0];
  const Picture expected = shot.Degrained(1);
  Picture other[2];
  std::thread threads[2];
  for (int k = 0; k < 2; ++k) {
    threads[k] = std::thread([&, k] {
      OpTester tester(std::string("degrain { window: 1 ") + kMedium + " }");
      const int first = k == 0 ? 1 : -1;
      tester.Main(shot.noisy[2 + first], first).Main(shot.noisy[2], 0).Main(shot.noisy[2 - first], -first);
      other[k] = tester.Render();
    });
  }
  for (std::thread& thread : threads) thread.join();
  EXPECT_TRUE(SameBits(other[0], expected));
  EXPECT_TRUE(SameBits(other[1], expected));
}

// Everything hangs on the absolute origin, the coarsest on multiples of 64.
TEST(Degrain, MovingPictureAndWindowTogetherChangesNoBit) {
  const Shot& shot = Shots()[1];
  OpTester tester(std::string("degrain { window: 1 ") + kMedium + " }");
  const auto moved = [](const Picture& picture) {
    Picture out;
    out.kind = picture.kind;
    for (const Plane& from : picture.planes) {
      Plane plane({-64, 128, 256, 368});
      for (int y = 0; y < 240; ++y) std::memcpy(plane.row(y + 128), from.row(y), 320 * sizeof(float));
      out.planes.push_back(plane);
    }
    return out;
  };
  for (int f = -1; f <= 1; ++f) tester.Main(moved(shot.noisy[2 + f]), f);
  const Picture out = tester.Render();
  EXPECT_TRUE(SameBits(out, moved(shot.Degrained(1))));
}

// Measured on three scenes: 8.3 to 8.7 dB alone, 9.9 to 11.6 dB with one frame on
// each side, 10.7 to 12.8 dB with two.
TEST(Degrain, NoiseFallsByEightDecibelsAndMoreWithNeighbours) {
  for (const Shot& shot : Shots()) {
    const double alone = Gain(shot.Degrained(0), shot), three = Gain(shot.Degrained(1), shot),
                 five = Gain(shot.Degrained(2), shot);
    EXPECT_GT(alone, 8.0);
    EXPECT_GT(three, 9.7);
    EXPECT_GT(three, alone + 1.5);
    EXPECT_GT(five, three + 0.2);
  }
}

TEST(Degrain, EndsOfAClipUseTheFramesThereAre) {
  const Shot& shot = Shots()[1];
  OpTester tester(std::string("degrain { window: 1 ") + kMedium + " }");
  const Picture last = tester.Main(shot.noisy[2]).Main(shot.noisy[1], -1).Render();
  const double gain = Gain(last, shot);
  EXPECT_GT(gain, Gain(shot.Degrained(0), shot) + 1);
  EXPECT_LT(gain, Gain(shot.Degrained(1), shot));
}

// A plate slower than the stack repeats frames; noise would be taken for signal.
TEST(Degrain, HeldFrameIsNotAveragedWithItself) {
  const Shot& shot = Shots()[0];
  OpTester tester(std::string("degrain { window: 1 ") + kMedium + " }");
  const Picture held = tester.Main(shot.noisy[2]).Main(shot.noisy[2], -1).Main(shot.noisy[2], 1).Render();
  EXPECT_TRUE(SameBits(held, shot.Degrained(0)));
}

// Where a fast object has just been or is about to come, neighbouring frames
// show something else.
TEST(Degrain, NoGhostsInTheRingThatMotionUncovers) {
  const MovingScene scene = Scenes()[0];
  const Shot& shot = Shots()[0];
  const auto ring = [&](int x, int y) {
    const bool here = scene.Cover(x, y, 0) > 0;
    return here != (scene.Cover(x, y, -1) > 0) || here != (scene.Cover(x, y, 1) > 0);
  };
  const double noisy = ErrorWhere(shot.grainy(), shot, ring);
  // Of the noise, 0.64 (one frame) and 0.58 (three) remained in photographs.
  EXPECT_LT(std::sqrt(ErrorWhere(shot.Degrained(1), shot, ring) / noisy), 0.55);
  EXPECT_LT(std::sqrt(ErrorWhere(shot.Degrained(2), shot, ring) / noisy), 0.55);
  // Pixels that are off by more than three sigma of the plate's own noise.
  const Picture out = shot.Degrained(1);
  int off = 0, count = 0;
  for (int y = 0; y < 240; ++y) {
    for (int x = 0; x < 320; ++x) {
      if (!ring(x, y)) continue;
      for (int c = 0; c < 3; ++c, ++count) {
        off += std::abs(Stabilised(out.planes[c].at(x, y), shot.noise) -
                        Stabilised(shot.clean().planes[c].at(x, y), shot.noise)) > 3;
      }
    }
  }
  EXPECT_LT(off, 0.005 * count);
}

// 8-bit sRGB, blue first, as that library wants it.
cv::Mat ToCode(const Picture& picture) {
  const Rect& r = picture.rect();
  cv::Mat code(r.height(), r.width(), CV_8UC3);
  for (int y = 0; y < r.height(); ++y) {
    for (int x = 0; x < r.width(); ++x) {
      for (int c = 0; c < 3; ++c) {
        const double v = std::clamp<double>(picture.planes[c].at(r.x0 + x, r.y0 + y), 0, 1);
        const double s = v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055;
        code.at<cv::Vec3b>(y, x)[2 - c] = static_cast<uint8_t>(std::lround(255 * s));
      }
    }
  }
  return code;
}

TEST(Degrain, BeatsNonLocalMeansAtItsBestSetting) {
  for (const Shot& shot : Shots()) {
    const cv::Mat truth = ToCode(shot.clean()), noisy = ToCode(shot.grainy());
    double best = 0;
    for (float h : {2.0f, 4.0f, 6.0f, 9.0f}) {
      cv::Mat out;
      cv::fastNlMeansDenoisingColored(noisy, out, h, h, 7, 21);
      best = std::max(best, cv::PSNR(out, truth));
    }
    EXPECT_GT(best, cv::PSNR(noisy, truth));
    EXPECT_GT(cv::PSNR(ToCode(shot.Degrained(0)), truth), best + 2);
    EXPECT_GT(cv::PSNR(ToCode(shot.Degrained(1)), truth), best + 4);
  }
}

// Noise of a camera that reconstructs colour from a mosaic, or compresses, is
// not white: the spectrum from the box takes care of that.
TEST(Degrain, CorrelatedNoiseNeedsItsSpectrum) {
  MovingScene scene = Scenes()[1];
  scene.screen_width = 60;
  const Shot shot(scene, {6e-4, 4e-5, 0.6});
  const absl::StatusOr<NoiseMeasurement> noise = MeasureNoise(shot.grainy(), {6, 100, 54, 148});
  ASSERT_TRUE(noise.ok());
  const std::string sample = "sample { x: 6 y: 100 width: 48 height: 48 }";
  for (int window : {0, 1}) {
    OpTester tester = shot.Tester(window, sample);
    const double measured = Gain(tester.WithNumbers("sample", noise->ToNumbers()).Render(), shot);
    EXPECT_GT(measured, Gain(shot.Degrained(window), shot) + 1);
    EXPECT_GT(measured, window == 0 ? 6 : 9);
  }
}

// Chroma noise of half the resolution, as after 4:2:0 compression.
TEST(Degrain, HalfResolutionChromaNoiseNeedsItsSpectrum) {
  MovingScene scene = Scenes()[1];
  scene.screen_width = 60;
  Shot shot(scene);
  for (int f = 0; f < 5; ++f) {
    // Noise as luma and chroma differences, the latter the same in 2x2 pixels.
    Picture& noisy = shot.noisy[f];
    const Picture& truth = shot.truth[f];
    for (int y = 0; y < 240; y += 2) {
      for (int x = 0; x < 320; x += 2) {
        double mean[2] = {0, 0};
        const auto noise = [&](int c, int i, int j) {
          return noisy.planes[c].at(x + i, y + j) - truth.planes[c].at(x + i, y + j);
        };
        for (int k = 0; k < 4; ++k) {
          for (int c = 0; c < 2; ++c) mean[c] += (noise(2 * c, k % 2, k / 2) - noise(1, k % 2, k / 2)) / 4;
        }
        for (int k = 0; k < 4; ++k) {
          const double green = noise(1, k % 2, k / 2);
          for (int c = 0; c < 2; ++c) {
            noisy.planes[2 * c].at(x + k % 2, y + k / 2) =
                static_cast<float>(truth.planes[2 * c].at(x + k % 2, y + k / 2) + green + mean[c]);
          }
        }
      }
    }
  }
  const absl::StatusOr<NoiseMeasurement> noise = MeasureNoise(shot.grainy(), {6, 100, 54, 148});
  ASSERT_TRUE(noise.ok());
  NoiseMeasurement white = *noise;
  std::fill(white.spectrum.begin(), white.spectrum.end(), 1.0f);
  const std::string sample = "sample { x: 6 y: 100 width: 48 height: 48 }";
  for (int window : {0, 1}) {
    OpTester with = shot.Tester(window, sample), without = shot.Tester(window, sample);
    const double measured = Gain(with.WithNumbers("sample", noise->ToNumbers()).Render(), shot);
    EXPECT_GT(measured, Gain(without.WithNumbers("sample", white.ToNumbers()).Render(), shot) + 0.5);
    EXPECT_GT(measured, 5);
  }
}

TEST(Degrain, MeasuresThePictureItselfWhereNoProfileIsGiven) {
  MovingScene scene = Scenes()[0];
  scene.screen_width = 90;
  const Shot shot(scene);
  EXPECT_GT(Gain(shot.Degrained(1, ""), shot), Gain(shot.Degrained(1), shot) - 0.5);
  const Picture tiny = MakePicture(OPAQUE, {0, 0, 6, 6});
  const absl::Status refused = OpTester("degrain { window: 0 }").Main(tiny).TryRender().status();
  EXPECT_EQ(refused.code(), absl::StatusCode::kInvalidArgument);
}

TEST(Degrain, SmallestPicturesWork) {
  for (const Rect& r : {Rect{0, 0, 1, 1}, Rect{-3, 5, 2, 6}, Rect{7, 7, 8, 40}, Rect{0, 0, 9, 9}}) {
    const Picture picture = MakePicture(OPAQUE, r);
    OpTester tester(std::string("degrain { window: 1 ") + kMedium + " }");
    const Picture out = tester.Main(picture).Main(MakePicture(OPAQUE, r, 2), 1).Render();
    EXPECT_EQ(out.rect(), r);
    for (int c = 0; c < 3; ++c) EXPECT_TRUE(std::isfinite(out.planes[c].at(r.x0, r.y0)));
  }
}

}  // namespace
}  // namespace selvage::worker
