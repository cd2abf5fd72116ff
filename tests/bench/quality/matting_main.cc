// selvage-matting: the outside column of the quality table: OpenCV's matting by
// information flow (Aksoy et al. 2017; module alphamat of its contrib package) on
// the trimap that unmix begins with.
#include <CLI/CLI.hpp>

#include <opencv2/core.hpp>
// It includes nothing itself.
#include <opencv2/alphamat.hpp>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <stdexcept>
#include <string>

#include "tests/scene/files.h"

using namespace selvage::scene;

namespace {

uint8_t Display(float linear) {
  const float v = std::clamp(linear, 0.0f, 1.0f);
  // sRGB, IEC 61966-2-1.
  const float code = v <= 0.0031308f ? 12.92f * v : 1.055f * std::pow(v, 1 / 2.4f) - 0.055f;
  return static_cast<uint8_t>(std::lround(code * 255));
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{
      "A matte by OpenCV's information-flow matting, from a plate and what is surely screen and surely foreground.\n\n"
      "  selvage-matting --plate plate.%04d.exr --screen sure.%04d.exr --core core.%04d.exr \\\n"
      "      --frames 1001-1006 --out matting.%04d.exr"};
  std::string plate, screen, core, out, frames;
  app.add_option("--plate", plate, "Scene-linear plate")->required();
  app.add_option("--screen", screen, "Mattes: alpha is 0 where these are above 0.5")->required();
  app.add_option("--core", core, "Mattes: alpha is 1 where these are above 0.5")->required();
  app.add_option("--frames", frames, "FIRST-LAST")->required();
  app.add_option("--out", out, "The plate times the matte, with the matte")->required();
  CLI11_PARSE(app, argc, argv);
  int first = 0, last = -1;
  if (std::sscanf(frames.c_str(), "%d-%d", &first, &last) != 2 || last < first) {
    std::fprintf(stderr, "selvage-matting: --frames %s: expected FIRST-LAST\n", frames.c_str());
    return 2;
  }
  try {
    for (int f = first; f <= last; ++f) {
      Picture picture = ReadPicture(FramePath(plate, f));
      const Picture zero = ReadPicture(FramePath(screen, f)), one = ReadPicture(FramePath(core, f));
      if (zero.pixels.size() != picture.pixels.size() || one.pixels.size() != picture.pixels.size()) {
        throw std::runtime_error("plate and mattes of frame " + std::to_string(f) + " differ in size");
      }
      cv::Mat image(picture.height, picture.width, CV_8UC3), trimap(picture.height, picture.width, CV_8UC1), matte;
      for (int y = 0; y < picture.height; ++y) {
        for (int x = 0; x < picture.width; ++x) {
          const size_t i = static_cast<size_t>(y) * picture.width + x;
          const Rgba& p = picture.pixels[i];
          image.at<cv::Vec3b>(y, x) = {Display(p.b), Display(p.g), Display(p.r)};
          trimap.at<uint8_t>(y, x) = one.pixels[i].a > 0.5f ? 255 : zero.pixels[i].a > 0.5f ? 0 : 128;
        }
      }
      cv::alphamat::infoFlow(image, trimap, matte);
      for (int y = 0; y < picture.height; ++y) {
        for (int x = 0; x < picture.width; ++x) {
          Rgba& p = picture.pixels[static_cast<size_t>(y) * picture.width + x];
          const float a = static_cast<float>(matte.at<uint8_t>(y, x)) / 255;
          p = {p.r * a, p.g * a, p.b * a, a};
        }
      }
      WriteExr(FramePath(out, f), picture, Channels::kRgba);
    }
  } catch (const std::exception& e) {
    std::fprintf(stderr, "selvage-matting: %s\n", e.what());
    return 1;
  }
  return 0;
}
