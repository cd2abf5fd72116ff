// selvage-score: how far mattes are from the true coverage.
#include <CLI/CLI.hpp>

#include <cstdio>
#include <stdexcept>

#include "tests/scene/files.h"
#include "tests/scene/score.h"

namespace {

using namespace selvage::scene;

struct Matte {
  std::string name, pattern;
};

Matte Parse(const std::string& text) {
  size_t equals = text.find('=');
  if (equals == std::string::npos) return {"matte", text};
  return {text.substr(0, equals), text.substr(equals + 1)};
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{
      "Compares mattes with the true coverage of the scene.\n\n"
      "  selvage-score --truth shot/alpha.%04d.exr --frames 1001-1024 \\\n"
      "      stack=out/matte/apiary_010.%04d.exr single=out/single.%04d.exr\n\n"
      "Mean absolute error of the whole frame, and of the soft band: 0.02 < truth < 0.98,\n"
      "grown by 3 pixels."};
  std::string truth, frames;
  std::vector<std::string> mattes;
  bool brief = false;
  app.add_option("--truth", truth, "True coverage, with %04d for the frame")->required();
  app.add_option("--frames", frames, "FIRST-LAST")->required();
  app.add_flag("--brief", brief, "Means only");
  app.add_option("mattes", mattes, "NAME=FILES of mattes (channel A, or the only channel)")->required();
  CLI11_PARSE(app, argc, argv);

  int first = 0, last = 0;
  if (std::sscanf(frames.c_str(), "%d-%d", &first, &last) != 2 || last < first) {
    std::fprintf(stderr, "selvage-score: --frames %s: expected FIRST-LAST\n", frames.c_str());
    return 2;
  }
  try {
    std::printf("%-16s %8s %12s %12s\n", "matte", "frame", "whole", "soft band");
    for (const std::string& text : mattes) {
      Matte matte = Parse(text);
      Score sum;
      for (int f = first; f <= last; ++f) {
        Score s = Compare(ReadPicture(FramePath(matte.pattern, f)), ReadPicture(FramePath(truth, f)));
        sum.whole += s.whole;
        sum.band += s.band;
        if (!brief) std::printf("%-16s %8d %12.6f %12.6f\n", matte.name.c_str(), f, s.whole, s.band);
      }
      double n = last - first + 1;
      std::printf("%-16s %8s %12.6f %12.6f\n", matte.name.c_str(), "mean", sum.whole / n, sum.band / n);
    }
  } catch (const std::exception& e) {
    std::fprintf(stderr, "selvage-score: %s\n", e.what());
    return 1;
  }
  return 0;
}
