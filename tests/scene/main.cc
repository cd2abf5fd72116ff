// selvage-scene: draws the demo shot with its exact truth.
#include <unistd.h>

#include <CLI/CLI.hpp>

#include <atomic>
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <mutex>
#include <set>
#include <thread>

#include "tests/scene/demo_stack.h"
#include "tests/scene/render.h"

namespace {

using namespace selvage::scene;

bool ParseSize(const std::string& text, Shot* shot) {
  return std::sscanf(text.c_str(), "%dx%d", &shot->width, &shot->height) == 2 && shot->width >= 64 &&
         shot->height >= 64 && shot->width <= 16384 && shot->height <= 16384;
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{
      "Draws the beekeeper before a screen, with exact truth.\n\n"
      "  selvage-scene --out shot                       960x540, 24 frames from 1001\n"
      "  selvage-scene --out shot --size 3840x2160 --frames 200 --noise heavy\n"
      "  selvage-scene --stack apiary_010.stack         the stack that keys that shot"};
  RenderOptions options;
  std::string size = "960x540", only, stack;
  std::map<std::string, ScreenHue> hues{
      {"green", ScreenHue::kGreen}, {"blue", ScreenHue::kBlue}, {"yellow-green", ScreenHue::kYellowGreen}};
  app.add_option("--out", options.folder, "Folder for the files");
  app.add_option("--stack", stack, "Write the demo stack for this size and length to a file");
  app.add_option("--size", size, "Size in pixels")->capture_default_str();
  app.add_option("--frames", options.shot.frames, "Number of frames")
      ->check(CLI::Range(1, 100000))
      ->capture_default_str();
  app.add_option("--first", options.shot.first, "First frame")
      ->check(CLI::Range(-1000000, 1000000))
      ->capture_default_str();
  app.add_option("--seed", options.seed, "Hair, wrinkles, noise and meadow follow from it")->capture_default_str();
  app.add_option("--screen", options.hue, "green, blue or yellow-green")
      ->transform(CLI::CheckedTransformer(hues, CLI::ignore_case));
  app.add_option("--noise", options.noise, "none, light, medium or heavy")
      ->check(CLI::IsMember({"none", "light", "medium", "heavy"}))
      ->capture_default_str();
  app.add_flag("--subsample", options.subsample, "As recorded in 8 bits with chroma at half size (4:2:0)");
  app.add_flag("--dpx", options.dpx, "Also plate.%04d.dpx");
  app.add_flag("--png", options.png, "Also plate.%04d.png");
  app.add_option("--only", only,
                 "Comma-separated: plate,alpha,foreground,clean,meadow,shadow,part (default: all but the last two)");
  app.add_option("--threads", options.threads, "Frames drawn side by side; 0 = as many as cores")
      ->capture_default_str();
  CLI11_PARSE(app, argc, argv);

  if (!ParseSize(size, &options.shot)) {
    std::fprintf(stderr, "selvage-scene: --size %s: expected WIDTHxHEIGHT, 64 to 16384 each\n", size.c_str());
    return 2;
  }
  if (options.folder.empty() && stack.empty()) {
    std::fprintf(stderr, "selvage-scene: give --out DIR or --stack FILE\n");
    return 2;
  }
  try {
    if (!stack.empty()) {
      std::ofstream file(stack, std::ios::binary);
      file << DemoStack(options.shot, options.hue);
      if (!file.flush()) throw std::runtime_error("can't write " + stack);
    }
    if (!options.folder.empty()) {
      options.SetOnly(only);
      // A counter that stands still on a terminal; one line in a log.
      const bool live = ::isatty(STDOUT_FILENO);
      Render(options, [&](int done) {
        if (!live) return;
        std::printf("\r%d of %d frames", done, options.shot.frames);
        std::fflush(stdout);
      });
      std::printf("%s%d frames drawn\n", live ? "\r" : "", options.shot.frames);
    }
  } catch (const std::exception& e) {
    std::fprintf(stderr, "selvage-scene: %s\n", e.what());
    return 1;
  }
  return 0;
}
