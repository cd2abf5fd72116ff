// A real clip, keyed as tests/demo/clip_a.stack does it: 16 frames of a video under
// CC0, a man before a yellow-green wall; read from SELVAGE_TEST_DATA, where its
// source is noted, and not part of this repository.
#include <cstdlib>
#include <filesystem>

#include "absl/strings/str_format.h"
#include "tests/e2e/studio.h"

// After protobuf: OpenImageIO's byte swaps hide the macros that it uses.
#include <OpenImageIO/imageio.h>

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

struct Box {
  int x, y, width, height;
};

// Least and largest value of the matte in a box.
std::pair<float, float> Extremes(const std::string& path, const Box& box) {
  auto in = OIIO::ImageInput::open(path);
  if (!in) return {-1, 2};
  std::vector<float> a(static_cast<size_t>(in->spec().width) * in->spec().height);
  in->read_image(0, 0, 0, 1, OIIO::TypeDesc::FLOAT, a.data());
  float low = 2, high = -1;
  for (int y = box.y; y < box.y + box.height; ++y) {
    for (int x = box.x; x < box.x + box.width; ++x) {
      const float v = a[static_cast<size_t>(y) * in->spec().width + x];
      low = std::min(low, v);
      high = std::max(high, v);
    }
  }
  return {low, high};
}

TEST(Clip, YellowGreenWallGoesAndTheManStays) {
  const char* data = std::getenv("SELVAGE_TEST_DATA");
  if (data == nullptr) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set: no real clip";
  Studio studio(1);
  fs::copy(fs::path(data) / "greenscreen" / "clip_a", studio.file("clip_a"));
  studio.Start();
  studio.Submit(studio.WriteStack("clip_a.stack", ReadFile(SELVAGE_SOURCE_DIR "/tests/demo/clip_a.stack")));
  ASSERT_EQ(studio.Fetch("out").size(), 32u);
  // Boxes found by looking at the picture: wall on both sides and beside the
  // head; forehead to chin, chest.
  for (int frame = 1001; frame <= 1016; ++frame) {
    const std::string matte = studio.file(absl::StrFormat("out/matte/clip_a.%04d.exr", frame));
    for (const Box& wall : {Box{0, 0, 80, 120}, Box{215, 0, 105, 120}, Box{290, 120, 30, 30}}) {
      EXPECT_LT(Extremes(matte, wall).second, 0.03f) << "frame " << frame << " wall at " << wall.x << "," << wall.y;
    }
    for (const Box& man : {Box{112, 24, 68, 100}, Box{60, 160, 190, 30}}) {
      EXPECT_GT(Extremes(matte, man).first, 0.97f) << "frame " << frame << " man at " << man.x << "," << man.y;
    }
  }
}

}  // namespace
}  // namespace selvage::e2e
