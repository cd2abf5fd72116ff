#include "tests/scene/matte_errors.h"

#include <gtest/gtest.h>

#include <OpenImageIO/imageio.h>

#include <cstdlib>
#include <string>
#include <vector>

namespace selvage::scene {
namespace {

std::vector<float> ReadGrey(const std::string& path, int* width, int* height) {
  auto in = OIIO::ImageInput::open(path);
  if (in == nullptr) return {};
  *width = in->spec().width;
  *height = in->spec().height;
  std::vector<uint8_t> codes(static_cast<size_t>(*width) * *height * in->spec().nchannels);
  in->read_image(0, 0, 0, in->spec().nchannels, OIIO::TypeDesc::UINT8, codes.data());
  std::vector<float> grey;
  for (size_t i = 0; i < codes.size(); i += in->spec().nchannels) grey.push_back(codes[i] / 255.0f);
  return grey;
}

// A synthetic pair with its four sums, which NumPy gave by two routes (gradient:
// two-dimensional and separable).
TEST(MatteErrors, AgreeWithTheReferencePair) {
  const char* data = std::getenv("SELVAGE_TEST_DATA");
  if (data == nullptr) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set";
  const std::string folder = std::string(data) + "/metrics/";
  int width = 0, height = 0;
  const std::vector<float> truth = ReadGrey(folder + "gt.png", &width, &height);
  const std::vector<float> matte = ReadGrey(folder + "pred.png", &width, &height);
  const std::vector<float> trimap = ReadGrey(folder + "trimap.png", &width, &height);
  ASSERT_EQ(truth.size(), 128u * 96);

  MatteErrors e = CompareMattes(matte, truth, width, height);
  EXPECT_EQ(e.pixels, 12288);
  EXPECT_NEAR(e.sad, 191.05098039215687, 1e-3);
  EXPECT_NEAR(e.mse, 0.003430942025503012, 1e-8);
  EXPECT_NEAR(e.gradient, 144.6830479326333, 1e-3);
  EXPECT_NEAR(e.connectivity, 154.38235294117646, 1e-3);

  std::vector<char> unknown;
  for (float v : trimap) unknown.push_back(v > 0.25f && v < 0.75f);
  e = CompareMattes(matte, truth, width, height, unknown);
  EXPECT_EQ(e.pixels, 10855);
  EXPECT_NEAR(e.sad, 186.21960784313725, 1e-3);
  EXPECT_NEAR(e.mse, 0.0037494731059573693, 1e-8);
  EXPECT_NEAR(e.gradient, 128.86905674711676, 1e-3);
  EXPECT_NEAR(e.connectivity, 147.98235294117646, 1e-3);
}

TEST(MatteErrors, EqualMattesHaveNone) {
  std::vector<float> matte;
  for (int i = 0; i < 30 * 20; ++i) matte.push_back(static_cast<float>(i % 7) / 6);
  const MatteErrors e = CompareMattes(matte, matte, 30, 20);
  EXPECT_EQ(e.sad, 0);
  EXPECT_EQ(e.mse, 0);
  EXPECT_EQ(e.gradient, 0);
  EXPECT_EQ(e.connectivity, 0);
}

TEST(MatteErrors, AStepThatIsMissingIsAllGradient) {
  // Truth is a vertical edge, the matte is flat: the squared unit-length
  // derivative answers along every row, the same in each.
  std::vector<float> truth, flat(40 * 10, 0.5f);
  for (int i = 0; i < 40 * 10; ++i) truth.push_back(i % 40 < 20 ? 0.0f : 1.0f);
  const MatteErrors e = CompareMattes(flat, truth, 40, 10),
                    one = CompareMattes(std::vector<float>(40, 0.5f), {truth.begin(), truth.begin() + 40}, 40, 1);
  EXPECT_NEAR(e.sad, 200, 1e-9);
  EXPECT_NEAR(e.mse, 0.25, 1e-9);
  EXPECT_GT(e.gradient, 1);
  EXPECT_NEAR(e.gradient, 10 * one.gradient, 1e-6);
}

TEST(MatteErrors, APieceThatFloatsIsNotConnected) {
  // A block of 8 x 8 and, apart from it, 2 x 2 pixels of 0.6 in the matte only:
  // there the matte hangs on nothing above threshold 0, the truth is 0.
  std::vector<float> truth(20 * 20, 0.0f);
  for (int y = 2; y < 10; ++y)
    for (int x = 2; x < 10; ++x) truth[y * 20 + x] = 1;
  std::vector<float> matte = truth;
  for (int y = 14; y < 16; ++y)
    for (int x = 14; x < 16; ++x) matte[y * 20 + x] = 0.6f;
  EXPECT_NEAR(CompareMattes(matte, truth, 20, 20).connectivity, 4 * 0.6, 1e-6);
}

}  // namespace
}  // namespace selvage::scene
