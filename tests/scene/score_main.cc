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

// Levels on a grid of 0.05 that bring a key closest to the truth, by the whole
// frame and by the soft band.
void PrintBestLevels(const Matte& matte, const std::vector<Picture>& truth, int first) {
  std::vector<Picture> keys;
  for (size_t i = 0; i < truth.size(); ++i)
    keys.push_back(ReadPicture(FramePath(matte.pattern, first + static_cast<int>(i))));
  struct Best {
    Score score;
    float black = 0, white = 1;
  } whole, band;
  whole.score.whole = band.score.band = 1e9;
  for (int b = 0; b < 20; ++b) {
    for (int w = b + 1; w <= 20; ++w) {
      const float black = 0.05f * static_cast<float>(b), white = 0.05f * static_cast<float>(w);
      Score sum;
      for (size_t i = 0; i < truth.size(); ++i) {
        const Score s = CompareLevelled(keys[i], truth[i], black, white);
        sum.whole += s.whole / static_cast<double>(truth.size());
        sum.band += s.band / static_cast<double>(truth.size());
      }
      if (sum.whole < whole.score.whole) whole = {sum, black, white};
      if (sum.band < band.score.band) band = {sum, black, white};
    }
  }
  for (const Best& best : {whole, band}) {
    std::printf("%-16s %.2f-%.2f %11.6f %12.6f\n", matte.name.c_str(), best.black, best.white, best.score.whole,
                best.score.band);
  }
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
  bool brief = false, search = false;
  app.add_option("--truth", truth, "True coverage, with %04d for the frame")->required();
  app.add_option("--frames", frames, "FIRST-LAST")->required();
  app.add_flag("--brief", brief, "Means only");
  app.add_flag("--best-levels", search,
               "Means after the best levels instead: by the whole frame, then by the soft band");
  app.add_option("mattes", mattes, "NAME=FILES of mattes (channel A, or the only channel)")->required();
  CLI11_PARSE(app, argc, argv);

  int first = 0, last = 0;
  if (std::sscanf(frames.c_str(), "%d-%d", &first, &last) != 2 || last < first) {
    std::fprintf(stderr, "selvage-score: --frames %s: expected FIRST-LAST\n", frames.c_str());
    return 2;
  }
  try {
    std::printf("%-16s %8s %12s %12s\n", "matte", "frame", "whole", "soft band");
    std::vector<Picture> truths;
    for (int f = first; search && f <= last; ++f) truths.push_back(ReadPicture(FramePath(truth, f)));
    for (const std::string& text : mattes) {
      Matte matte = Parse(text);
      if (search) {
        PrintBestLevels(matte, truths, first);
        continue;
      }
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
