#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <unistd.h>

#include <cmath>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "proto/ops/internal.pb.h"
#include "tests/ops/green_clip.h"
#include "tests/ops/keyed_scene.h"
#include "tests/testing/op_tester.h"
#include "tests/testing/simd_targets.h"
#include "worker/kernels/pixels/transfer.h"

namespace selvage::worker {
namespace {

using ::testing::HasSubstr;
using testing::KeyedScene;

PlateSurvey Survey(const Picture& plate, const std::string& params = "") {
  const auto blob = OpTester("survey_plate { " + params + " }").Main(plate).RenderBlob();
  EXPECT_TRUE(blob.ok()) << blob.status();
  PlateSurvey survey;
  EXPECT_TRUE(survey.ParseFromString(*blob));
  return survey;
}

std::string Refusal(const Picture& plate, const std::string& params) {
  const auto blob = OpTester("survey_plate { " + params + " }").Main(plate).RenderBlob();
  EXPECT_EQ(blob.status().code(), absl::StatusCode::kInvalidArgument) << params;
  return std::string(blob.status().message());
}

Rect CellOf(const PlateSurvey& s, int cell) {
  const int side = static_cast<int>(s.cell_side()), x = s.x() + cell % static_cast<int>(s.columns()) * side,
            y = s.y() + cell / static_cast<int>(s.columns()) * side;
  const int right = s.x() + static_cast<int>(s.width()), below = s.y() + static_cast<int>(s.height());
  return Rect{x, y, x + side, y + side}.Intersect({s.x(), s.y(), right, below});
}

float Extreme(const Plane& plane, const Rect& rect, bool greatest) {
  float v = plane.at(rect.x0, rect.y0);
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) v = greatest ? std::max(v, plane.at(x, y)) : std::min(v, plane.at(x, y));
  }
  return v;
}

// Green, blue, red, yellow-green, cyan-blue and a pale green, with noise of every seed.
constexpr double kScreens[][3] = {{0.08, 0.52, 0.13}, {0.05, 0.1, 0.5},  {0.5, 0.06, 0.08},
                                  {0.55, 0.6, 0.05},  {0.05, 0.35, 0.5}, {0.25, 0.5, 0.28}};

KeyedScene Scene(int screen, uint64_t seed) {
  KeyedScene scene;
  scene.seed = seed;
  for (int c = 0; c < 3; ++c) scene.screen[c] = kScreens[screen][c];
  return scene;
}

// The truth is the scene's own: its clean plate and its alpha.
TEST(SurveyPlate, FindsTheScreenOfAnyHueAndWhereItIsBare) {
  for (int screen = 0; screen < 6; ++screen) {
    for (uint64_t seed : {1, 2}) {
      const auto drawn = Scene(screen, seed).Draw();
      const PlateSurvey s = Survey(drawn.plate);
      ASSERT_TRUE(s.screen_found()) << screen;
      const Rect all = drawn.plate.rect();
      float most = 0;
      for (int c = 0; c < 3; ++c) most = std::max(most, Extreme(drawn.clean.planes[c], all, true));
      for (int c = 0; c < 3; ++c) {
        // The screen is uneven: its colour lies within what it is somewhere.
        EXPECT_GT(s.screen(c), Extreme(drawn.clean.planes[c], all, false) - 0.01f * most) << screen << " channel " << c;
        EXPECT_LT(s.screen(c), Extreme(drawn.clean.planes[c], all, true) + 0.01f * most) << screen << " channel " << c;
      }
      ASSERT_EQ(s.bare_size(), static_cast<int>(s.columns() * s.rows()));
      double bare = 0;
      for (int cell = 0; cell < s.bare_size(); ++cell) {
        const Rect rect = CellOf(s, cell);
        bare += static_cast<double>(s.bare(cell)) * static_cast<double>(rect.area());
        if (Extreme(drawn.alpha.planes[0], rect, true) == 0) {
          EXPECT_GT(s.bare(cell), 0.85f) << screen << " cell " << cell;
        } else if (Extreme(drawn.alpha.planes[0], rect, false) > 0.5f) {
          EXPECT_LT(s.bare(cell), 0.1f) << screen << " cell " << cell;
        }
      }
      EXPECT_NEAR(s.bare_share(), bare / static_cast<double>(all.area()), 1e-4);
    }
  }
}

TEST(SurveyPlate, SaysHowLargeThePictureIsAndHowItIsDivided) {
  const auto drawn = Scene(0, 1).Draw();
  Picture plate = drawn.plate;
  plate.planes[0].at(10, 10) = 3.5f;
  plate.planes[2].at(20, 10) = -0.25f;
  plate.planes[1].at(30, 10) = INFINITY;
  const PlateSurvey s = Survey(plate);
  EXPECT_EQ(s.width(), 320u);
  EXPECT_EQ(s.height(), 180u);
  EXPECT_EQ(s.greatest(), 3.5f);
  EXPECT_EQ(s.least(), -0.25f);
  // 32 cells across would be 10 pixels wide; whole 8 are 16.
  EXPECT_EQ(s.cell_side(), 16u);
  EXPECT_EQ(s.columns(), 20u);
  EXPECT_EQ(s.rows(), 12u);
  EXPECT_EQ(s.mean_size(), 3 * 20 * 12);
}

// Noise of variance a y + b at level y: its deviation is known.
// Pairs of columns share their chroma, as in 4:2:2: B'-Y' and R'-Y' in BT.709 code values.
Picture ChromaHalved(Picture plate) {
  const Rect& rect = plate.rect();
  std::vector<float> code[3];
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int c = 0; c < 3; ++c) {
      code[c].resize(rect.width());
      EncodeRow(ENCODING_BT709, plate.planes[c].row(y), code[c].data(), code[c].size());
    }
    for (int x = 0; x + 1 < rect.width(); x += 2) {
      float luma[2], chroma[2] = {};
      for (int i = 0; i < 2; ++i) {
        luma[i] = 0.2126f * code[0][x + i] + 0.7152f * code[1][x + i] + 0.0722f * code[2][x + i];
        chroma[0] += 0.5f * (code[0][x + i] - luma[i]), chroma[1] += 0.5f * (code[2][x + i] - luma[i]);
      }
      for (int i = 0; i < 2; ++i) {
        code[0][x + i] = luma[i] + chroma[0], code[2][x + i] = luma[i] + chroma[1];
        code[1][x + i] = (luma[i] - 0.2126f * code[0][x + i] - 0.0722f * code[2][x + i]) / 0.7152f;
      }
    }
    for (int c = 0; c < 3; ++c) DecodeRow(ENCODING_BT709, code[c].data(), plate.planes[c].row(y), code[c].size());
  }
  return plate;
}

TEST(SurveyPlate, SeesThatTheRecordingHalvedTheChroma) {
  for (int screen = 0; screen < 6; ++screen) {
    const auto drawn = Scene(screen, 1).Draw();
    EXPECT_NEAR(Survey(drawn.plate).chroma_smoothness(), 1, 0.1) << screen;
    EXPECT_LT(Survey(ChromaHalved(drawn.plate)).chroma_smoothness(), 0.65) << screen;
  }
}

TEST(SurveyPlate, RoughnessOfBareScreenIsItsNoise) {
  for (int screen : {0, 1, 3}) {
    const KeyedScene scene = Scene(screen, 4);
    const auto drawn = scene.Draw();
    const PlateSurvey s = Survey(drawn.plate);
    int cells = 0;
    for (int cell = 0; cell < s.bare_size(); ++cell) {
      const Rect rect = CellOf(s, cell);
      if (Extreme(drawn.alpha.planes[0], rect, true) > 0 || rect.height() < 16) continue;
      double variance = 0, level = 0;
      for (int c = 0; c < 3; ++c) {
        const double y = drawn.clean.planes[c].at(rect.x0 + 8, rect.y0 + 8);
        variance += (scene.noise_a * y + scene.noise_b) / 3;
        level += y / 3;
      }
      // 12 blocks of 63 numbers: 4 % of deviation; light that falls off adds a little.
      EXPECT_NEAR(s.roughness(cell) / (std::sqrt(variance) / level), 1.05, 0.2) << screen << " cell " << cell;
      ++cells;
    }
    EXPECT_GT(cells, 80);
  }
}

TEST(SurveyPlate, BoxSaysTheColorAndHowRoughItIs) {
  const auto drawn = Scene(0, 5).Draw();
  const PlateSurvey even = Survey(drawn.plate, "box { x: 8 y: 8 width: 48 height: 48 }");
  const std::vector<float> mean = MeanColor(drawn.clean, {8, 8, 56, 56});
  for (int c = 0; c < 3; ++c) EXPECT_NEAR(even.screen(c), mean[c], 0.01 * mean[1]) << c;
  EXPECT_GT(even.box_texture(), 0.8f);
  EXPECT_LT(even.box_texture(), 1.6f);
  EXPECT_GT(even.bare_share(), 0.5f);
  // Half of it is the disc's textured edge.
  const PlateSurvey rough = Survey(drawn.plate, "box { x: 72 y: 60 width: 48 height: 48 }");
  EXPECT_GT(rough.box_texture(), 3.0f);
}

TEST(SurveyPlate, GivenColorIsTheScreensWhateverCoversMore) {
  KeyedScene scene = Scene(0, 6);
  // An orange disc, far larger than the screen that is left of the picture.
  scene.window = {0, 0, 160, 120};
  scene.front[0] = 0.7, scene.front[1] = 0.2, scene.front[2] = 0.02;
  const auto drawn = scene.Draw();
  const PlateSurvey s = Survey(drawn.plate, "color { r: 0.08 g: 0.52 b: 0.13 }");
  ASSERT_TRUE(s.screen_found());
  EXPECT_EQ(std::max_element(s.screen().begin(), s.screen().end()) - s.screen().begin(), 1);
  EXPECT_EQ(s.box_texture(), 0);
}

TEST(SurveyPlate, PictureOfGreysHasNoScreen) {
  KeyedScene scene;
  for (int c = 0; c < 3; ++c) scene.screen[c] = 0.4, scene.front[c] = 0.2;
  for (uint64_t seed : {1, 2, 3, 4}) {
    scene.seed = seed;
    const PlateSurvey s = Survey(scene.Draw().plate);
    EXPECT_FALSE(s.screen_found()) << seed;
    EXPECT_EQ(s.width(), 320u);
    EXPECT_EQ(s.bare_size(), 0);
  }
}

TEST(SurveyPlate, BadBoxesAreRefusedInWords) {
  const Picture plate = Scene(0, 1).Draw().plate;
  EXPECT_THAT(Refusal(plate, "box { x: 300 y: 8 width: 48 height: 48 }"), HasSubstr("x 300..348"));
  EXPECT_THAT(Refusal(plate, "box { x: 300 y: 8 width: 48 height: 48 }"),
              HasSubstr("not inside the picture (x 0..320, y 0..180)"));
  EXPECT_THAT(Refusal(plate, "box { x: -1 y: 8 width: 48 height: 48 }"), HasSubstr("not inside"));
  EXPECT_THAT(Refusal(plate, "box { x: 8 y: 8 width: 4294967295 height: 48 }"), HasSubstr("not inside"));
  EXPECT_THAT(Refusal(plate, "box { x: 8 y: 8 width: 7 height: 48 }"), HasSubstr("7 x 48"));
  EXPECT_THAT(Refusal(plate, "color { r: 0.3 g: 0.3 b: 0.3 }"), HasSubstr("zero saturation"));
  Picture grey = MakeConstant(OPAQUE, {0, 0, 64, 64}, 0.25f);
  grey.planes[1] = grey.planes[2] = grey.planes[0];
  EXPECT_THAT(Refusal(grey, "box { width: 16 height: 16 }"), HasSubstr("zero saturation"));
}

// --- How the recording is.

// Numbers of the 8-byte bands in which two surveys differ.
std::vector<size_t> ChangedBands(const PlateSurvey& a, const PlateSurvey& b) {
  EXPECT_EQ(a.bands().size(), b.bands().size());
  std::vector<size_t> changed;
  for (size_t i = 0; 8 * i < a.bands().size(); ++i) {
    if (a.bands().substr(8 * i, 8) != b.bands().substr(8 * i, 8)) changed.push_back(i);
  }
  return changed;
}

TEST(SurveyPlate, ABandChangesWithAnySampleOfItAndNoOther) {
  Picture plate = Scene(0, 1).Draw().plate;
  const PlateSurvey before = Survey(plate);
  // 180 rows in bands of three.
  EXPECT_EQ(before.bands().size(), 8u * 60);
  EXPECT_EQ(Survey(plate).bands(), before.bands());
  plate.planes[1].at(319, 5) += 0.001f;
  plate.planes[2].at(0, 179) += 0.001f;
  EXPECT_EQ(ChangedBands(before, Survey(plate)), (std::vector<size_t>{1, 59}));
  // Bands differ between channels that are swapped, too.
  Picture swapped = plate;
  std::swap(swapped.planes[0], swapped.planes[1]);
  EXPECT_EQ(ChangedBands(Survey(plate), Survey(swapped)).size(), 60u);
  // A rest at the bottom: 65 rows are 32 bands of two, and one of one.
  EXPECT_EQ(Survey(Crop(plate, {0, 0, 320, 65})).bands().size(), 8u * 33);
  EXPECT_EQ(Survey(Crop(plate, {0, 0, 320, 7})).bands().size(), 8u * 7);
}

TEST(SurveyPlate, AlphaIsOfTheBandsWhereItIsSome) {
  Picture plate = MakePicture(STRAIGHT, {0, 0, 64, 64});
  const PlateSurvey before = Survey(plate);
  plate.planes[3].at(3, 40) = 0.33f;
  EXPECT_EQ(ChangedBands(before, Survey(plate)), std::vector<size_t>{40});
}

TEST(SurveyPlate, SharesAtTheEndsOfEachChannel) {
  Picture plate = Scene(0, 1).Draw().plate;
  // A tenth of the rows clipped in red, a twentieth crushed in blue.
  for (int y = 0; y < 18; ++y) std::fill_n(plate.planes[0].row(y), 320, 7.5f);
  for (int y = 100; y < 109; ++y) std::fill_n(plate.planes[2].row(y), 320, -0.5f);
  const PlateSurvey s = Survey(plate);
  ASSERT_EQ(s.at_greatest_size(), 3);
  EXPECT_FLOAT_EQ(s.at_greatest(0), 0.1f);
  EXPECT_EQ(s.channel_greatest(0), 7.5f);
  EXPECT_LT(s.at_greatest(1), 0.001f);
  EXPECT_FLOAT_EQ(s.at_least(2), 0.05f);
  EXPECT_EQ(s.channel_least(2), -0.5f);
  EXPECT_LT(s.at_least(1), 0.001f);
  for (int c = 0; c < 3; ++c) EXPECT_NEAR(s.channel_mean(c), MeanColor(plate, plate.rect())[c], 1e-4) << c;
}

TEST(SurveyPlate, SamplesThatAreNoNumbersAreCountedAndLeftOutOfTheRest) {
  Picture plate = Scene(0, 1).Draw().plate;
  const PlateSurvey clean = Survey(plate);
  EXPECT_EQ(clean.not_finite(), 0u);
  plate.planes[0].at(1, 1) = NAN;
  plate.planes[0].at(2, 1) = INFINITY;
  plate.planes[2].at(1, 1) = -INFINITY;
  const PlateSurvey s = Survey(plate);
  EXPECT_EQ(s.not_finite(), 3u);
  for (int c = 0; c < 3; ++c) {
    EXPECT_NEAR(s.channel_mean(c), clean.channel_mean(c), 1e-4);
    EXPECT_LE(s.channel_greatest(c), clean.channel_greatest(c));
  }
}

// A file that OpenImageIO writes and reads again, as light.
Picture ThroughJpeg(const Picture& plate, int quality) {
  const Rect& rect = plate.rect();
  const auto width = static_cast<size_t>(rect.width());
  std::vector<float> code[3], samples;
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int c = 0; c < 3; ++c) {
      code[c].resize(width);
      EncodeRow(ENCODING_SRGB, plate.planes[c].row(y), code[c].data(), width);
    }
    for (size_t x = 0; x < width; ++x) samples.insert(samples.end(), {code[0][x], code[1][x], code[2][x]});
  }
  const std::string path = ::testing::TempDir() + absl::StrCat("survey_plate_", getpid(), "_", quality, ".jpg");
  OIIO::ImageSpec spec(rect.width(), rect.height(), 3, OIIO::TypeDesc::UINT8);
  spec.attribute("CompressionQuality", quality);
  auto out = OIIO::ImageOutput::create(path);
  EXPECT_TRUE(out && out->open(path, spec) && out->write_image(OIIO::TypeDesc::FLOAT, samples.data()) && out->close());
  auto in = OIIO::ImageInput::open(path);
  EXPECT_TRUE(in && in->read_image(0, 0, 0, 3, OIIO::TypeDesc::FLOAT, samples.data()));
  std::remove(path.c_str());
  Picture read = plate;
  for (int c = 0; c < 3; ++c) {
    Plane plane(rect);
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (size_t x = 0; x < width; ++x) plane.row(y)[x] = samples[((y - rect.y0) * width + x) * 3 + c];
      DecodeRow(ENCODING_SRGB, plane.row(y), plane.row(y), width);
    }
    read.planes[c] = plane;
  }
  return read;
}

// JPEG of quality 30 has blocks for everybody to see, of 100 none (libjpeg by OpenImageIO).
TEST(SurveyPlate, BlocksAreThoseOfACodec) {
  for (int screen : {0, 1, 3}) {
    const Picture plate = Scene(screen, 2).Draw().plate;
    EXPECT_NEAR(Survey(plate).blocks(), 1, 0.03) << screen;
    EXPECT_LT(Survey(ThroughJpeg(plate, 100)).blocks(), 1.08) << screen;
    EXPECT_GT(Survey(ThroughJpeg(plate, 30)).blocks(), 1.3) << screen;
  }
  // Enlarged to twice its size by repeating pixels, a picture has steps every other pixel.
  const Picture plate = Scene(0, 2).Draw().plate;
  Picture twice = MakeConstant(OPAQUE, {0, 0, 640, 360}, 1);
  for (int c = 0; c < 3; ++c) {
    Plane plane(twice.rect());
    for (int y = 0; y < 360; ++y) {
      for (int x = 0; x < 640; ++x) plane.at(x, y) = plate.planes[c].at(x / 2, y / 2);
    }
    twice.planes[c] = plane;
  }
  EXPECT_NEAR(Survey(twice).blocks(), 1, 0.05);
  // Nothing to tell by.
  EXPECT_EQ(Survey(MakeConstant(OPAQUE, {0, 0, 64, 64}, 0.5f)).blocks(), 0);
  EXPECT_EQ(Survey(Crop(plate, {0, 0, 5, 5})).blocks(), 0);
}

TEST(SurveyPlate, BlocksOfARealClip) {
  const auto plate = ReadGreenClip(1001);
  if (!plate) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set: no real clip";
  // Decoded from H.264.
  EXPECT_NEAR(Survey(*plate).blocks(), 1.18, 0.05);
  EXPECT_GT(Survey(ThroughJpeg(*plate, 30)).blocks(), 1.6);
  EXPECT_NEAR(Survey(ThroughJpeg(*plate, 100)).blocks(), Survey(*plate).blocks(), 0.05);
}

TEST(SurveyPlate, LawsHold) {
  const OpTester tester = OpTester("survey_plate {}").Main(Scene(3, 7).Draw().plate);
  const std::string expected = *tester.RenderBlob();
  ForEverySimdTarget([&] { EXPECT_EQ(*tester.RenderBlob(), expected); });
  // Nothing that comes in makes it fall over or say what is no number.
  for (uint32_t seed : {1, 2, 3}) {
    const Picture bad = MakeBadPicture(OPAQUE, {-7, 3, 144, 99}, seed);
    const auto blob = OpTester("survey_plate {}").Main(bad).Window(bad.rect()).RenderBlob();
    ASSERT_TRUE(blob.ok()) << blob.status();
    PlateSurvey s;
    ASSERT_TRUE(s.ParseFromString(*blob));
    EXPECT_EQ(s.x(), -7);
    for (const auto* list : {&s.screen(), &s.bare(), &s.roughness(), &s.mean(), &s.at_greatest(), &s.at_least(),
                             &s.channel_greatest(), &s.channel_least(), &s.channel_mean()}) {
      for (float v : *list) EXPECT_TRUE(std::isfinite(v));
    }
    EXPECT_TRUE(std::isfinite(s.least()) && std::isfinite(s.greatest()) && std::isfinite(s.blocks()));
    EXPECT_GT(s.not_finite(), 0u);
  }
  for (const Rect& tiny : {Rect{0, 0, 1, 1}, {0, 0, 9, 3}, {5, 5, 13, 13}}) {
    EXPECT_TRUE(OpTester("survey_plate {}").Main(MakePicture(OPAQUE, tiny)).Window(tiny).RenderBlob().ok());
  }
  EXPECT_FALSE(OpTester("survey_plate {}").Window({}).RenderBlob().ok());
}

// The wall is about code 211, 211, 23 (sRGB), as the clip's notes say.
TEST(SurveyPlate, YellowGreenWallOfARealClip) {
  const auto plate = ReadGreenClip(1001);
  if (!plate) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set: no real clip";
  const PlateSurvey s = Survey(*plate);
  ASSERT_TRUE(s.screen_found());
  EXPECT_NEAR(s.screen(0), 0.65, 0.08);
  EXPECT_NEAR(s.screen(1), 0.65, 0.08);
  EXPECT_LT(s.screen(2), 0.03f);
  EXPECT_GT(s.bare_share(), 0.3f);
}

}  // namespace
}  // namespace selvage::worker
