// selvage-quality: keyed elements against the scene's truth, one line each.
#include <CLI/CLI.hpp>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <stdexcept>
#include <string>
#include <vector>

#include "tests/scene/files.h"
#include "tests/scene/matte_errors.h"
#include "tests/scene/shot.h"

namespace {

using namespace selvage::scene;

struct Frames {
  int first = 0, last = 0;
  int count() const { return last - first + 1; }
};

// What is known about one frame.
struct Truth {
  Picture foreground;  // premultiplied
  std::vector<float> alpha;
  std::vector<char> band;  // 0.02 < alpha < 0.98, grown by 3 pixels
};

std::vector<float> AlphaOf(const Picture& picture) {
  std::vector<float> alpha;
  alpha.reserve(picture.pixels.size());
  for (const Rgba& p : picture.pixels) alpha.push_back(p.a);
  return alpha;
}

std::vector<char> BandOf(const std::vector<float>& alpha, int width, int height) {
  constexpr int kGrow = 3;
  std::vector<char> band(alpha.size());
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      const float a = alpha[static_cast<size_t>(y) * width + x];
      if (a <= 0.02f || a >= 0.98f) continue;
      for (int j = std::max(0, y - kGrow); j <= std::min(height - 1, y + kGrow); ++j) {
        for (int i = std::max(0, x - kGrow); i <= std::min(width - 1, x + kGrow); ++i) {
          band[static_cast<size_t>(j) * width + i] = 1;
        }
      }
    }
  }
  return band;
}

std::vector<Truth> ReadTruth(const std::string& pattern, const Frames& frames) {
  std::vector<Truth> all;
  for (int f = frames.first; f <= frames.last; ++f) {
    Truth t;
    t.foreground = ReadPicture(FramePath(pattern, f));
    t.alpha = AlphaOf(t.foreground);
    t.band = BandOf(t.alpha, t.foreground.width, t.foreground.height);
    all.push_back(std::move(t));
  }
  return all;
}

void RequireSameSize(const Picture& picture, const Picture& truth, const std::string& file) {
  if (picture.width == truth.width && picture.height == truth.height) return;
  throw std::runtime_error(file + " is " + std::to_string(picture.width) + "x" + std::to_string(picture.height) +
                           ", the truth " + std::to_string(truth.width) + "x" + std::to_string(truth.height));
}

// Means over the frames; sums of a frame in thousands, as published lists have them.
struct Line {
  double mse = 0, band_sad = 0, band_mse = 0, gradient = 0, connectivity = 0;
  // Root of the mean squared difference between the changes of matte and truth
  // from frame to frame, in the band. Source: Erofeev et al. 2015 (dtSSD).
  double flicker = 0;
  // Root mean square of the premultiplied colour's error in the band.
  double color = 0;
  // Mean absolute error of the composite over the background, and over mid grey.
  double over_background = 0, over_grey = 0;
};

double SquaredColor(const Rgba& p, const Rgba& q) {
  return ((p.r - q.r) * (p.r - q.r) + (p.g - q.g) * (p.g - q.g) + (p.b - q.b) * (p.b - q.b)) / 3;
}

double AbsoluteColor(const Rgba& p, const Rgba& q) {
  return (std::abs(p.r - q.r) + std::abs(p.g - q.g) + std::abs(p.b - q.b)) / 3;
}

// Mean squared error of alpha in each part of the picture, screen within three
// pixels of a part counting as that part; less than zero where there is none.
std::vector<double> MeasureParts(const std::string& pattern, const std::string& parts_pattern,
                                 const std::vector<Truth>& truth, const Frames& frames) {
  constexpr int kGrow = 3;
  constexpr auto kForeground = static_cast<size_t>(Part::kShadow) + 1;
  std::vector<double> sum(std::size(kPartNames)), count(std::size(kPartNames));
  for (int f = frames.first; f <= frames.last; ++f) {
    const std::vector<float> alpha = AlphaOf(ReadPicture(FramePath(pattern, f)));
    const Picture drawn = ReadPicture(FramePath(parts_pattern, f));
    const std::vector<float>& right = truth[f - frames.first].alpha;
    if (alpha.size() != right.size() || drawn.pixels.size() != right.size()) {
      throw std::runtime_error(FramePath(parts_pattern, f) + " or the element has another size than the truth");
    }
    const auto part_at = [&](int x, int y) {
      const float number = drawn.pixels[static_cast<size_t>(y) * drawn.width + x].a;
      return std::min(static_cast<size_t>(std::max(number, 0.0f)), sum.size() - 1);
    };
    for (int y = 0; y < drawn.height; ++y) {
      for (int x = 0; x < drawn.width; ++x) {
        const size_t own = part_at(x, y);
        size_t part = own;
        int nearest = kGrow * kGrow + 1;
        for (int j = std::max(0, y - kGrow); own < kForeground && j <= std::min(drawn.height - 1, y + kGrow); ++j) {
          for (int i = std::max(0, x - kGrow); i <= std::min(drawn.width - 1, x + kGrow); ++i) {
            const int away = (i - x) * (i - x) + (j - y) * (j - y);
            if (part_at(i, j) < kForeground || away >= nearest) continue;
            nearest = away;
            part = part_at(i, j);
          }
        }
        const size_t i = static_cast<size_t>(y) * drawn.width + x;
        sum[part] += (alpha[i] - right[i]) * (alpha[i] - right[i]);
        ++count[part];
      }
    }
  }
  for (size_t i = 0; i < sum.size(); ++i) sum[i] = count[i] > 0 ? sum[i] / count[i] : -1;
  return sum;
}

Line Measure(const std::string& pattern, const std::vector<Truth>& truth, const Frames& frames,
             const std::string& background) {
  Line line;
  std::vector<float> before;
  double changed = 0;
  int64_t changes = 0;
  for (int i = 0; i < frames.count(); ++i) {
    const std::string file = FramePath(pattern, frames.first + i);
    const Picture element = ReadPicture(file), behind = ReadPicture(FramePath(background, frames.first + i));
    const Truth& t = truth[i];
    RequireSameSize(element, t.foreground, file);
    RequireSameSize(behind, t.foreground, background);
    const std::vector<float> alpha = AlphaOf(element);
    const int width = element.width, height = element.height;
    line.mse += CompareMattes(alpha, t.alpha, width, height).mse;
    const MatteErrors band = CompareMattes(alpha, t.alpha, width, height, t.band);
    line.band_sad += band.sad / 1000;
    line.band_mse += band.mse;
    line.gradient += band.gradient / 1000;
    line.connectivity += band.connectivity / 1000;

    double color = 0, over_background = 0, over_grey = 0;
    const Rgba grey{0.18f, 0.18f, 0.18f, 1};
    for (size_t p = 0; p < alpha.size(); ++p) {
      const Rgba &mine = element.pixels[p], &right = t.foreground.pixels[p];
      if (t.band[p]) color += SquaredColor(mine, right);
      over_background += AbsoluteColor(Over(mine, behind.pixels[p]), Over(right, behind.pixels[p]));
      over_grey += AbsoluteColor(Over(mine, grey), Over(right, grey));
      if (i > 0 && t.band[p]) {
        const double d = (alpha[p] - before[p]) - (t.alpha[p] - truth[i - 1].alpha[p]);
        changed += d * d;
        ++changes;
      }
    }
    line.color += band.pixels > 0 ? color / static_cast<double>(band.pixels) : 0;
    line.over_background += over_background / static_cast<double>(alpha.size());
    line.over_grey += over_grey / static_cast<double>(alpha.size());
    before = alpha;
  }
  const double n = frames.count();
  for (double* v : {&line.mse, &line.band_sad, &line.band_mse, &line.gradient, &line.connectivity, &line.color,
                    &line.over_background, &line.over_grey}) {
    *v /= n;
  }
  line.color = std::sqrt(line.color);
  line.flicker = changes > 0 ? std::sqrt(changed / static_cast<double>(changes)) : 0;
  return line;
}

// The `levels` that bring a raw key closest to the truth, by whole-frame MSE.
void BestLevels(const std::string& pattern, const std::vector<Truth>& truth, const Frames& frames) {
  std::vector<std::vector<float>> keys;
  for (int i = 0; i < frames.count(); ++i) {
    const std::string file = FramePath(pattern, frames.first + i);
    const Picture key = ReadPicture(file);
    RequireSameSize(key, truth[i].foreground, file);
    keys.push_back(AlphaOf(key));
  }
  double best = 1e30, best_black = 0, best_white = 1;
  for (int b = 0; b < 18; ++b) {
    for (int w = b + 1; w <= 20; ++w) {
      const float black = 0.05f * b, scale = 1 / (0.05f * (w - b));
      double sum = 0;
      int64_t count = 0;
      for (size_t i = 0; i < keys.size(); ++i) {
        for (size_t p = 0; p < keys[i].size(); ++p) {
          const double d = std::clamp((keys[i][p] - black) * scale, 0.0f, 1.0f) - truth[i].alpha[p];
          sum += d * d;
        }
        count += static_cast<int64_t>(keys[i].size());
      }
      if (sum / static_cast<double>(count) < best) {
        best = sum / static_cast<double>(count);
        best_black = black;
        best_white = 0.05 * w;
      }
    }
  }
  std::printf("%.2f %.2f %.8f\n", best_black, best_white, best);
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{
      "Keyed elements against the truth of a drawn shot.\n\n"
      "  selvage-quality --truth shot/foreground.%04d.exr --background shot/meadow.%04d.exr \\\n"
      "      --frames 1001-1006 unmix=out/unmix.%04d.exr single=out/single.%04d.exr\n"
      "  selvage-quality --truth shot/foreground.%04d.exr --frames 1001-1006 --best-levels out/key.%04d.exr\n\n"
      "SAD, MSE, gradient and connectivity errors as in Rhemann et al. 2009, sums in thousands;\n"
      "flicker as in Erofeev et al. 2015; colour is of the premultiplied foreground in the band."};
  std::string truth_pattern, background, frames_text, raw, parts;
  std::vector<std::string> elements;
  app.add_option("--truth", truth_pattern, "True premultiplied foreground with alpha")->required();
  app.add_option("--background", background, "What to composite over");
  app.add_option("--parts", parts, "What is seen where (selvage-scene --only part): also the error of each part");
  app.add_option("--frames", frames_text, "FIRST-LAST")->required();
  app.add_option("--best-levels", raw, "Print black, white and MSE of the best levels for this raw key instead");
  app.add_option("elements", elements, "NAME=FILES of premultiplied elements");
  CLI11_PARSE(app, argc, argv);

  Frames frames;
  if (std::sscanf(frames_text.c_str(), "%d-%d", &frames.first, &frames.last) != 2 || frames.last < frames.first) {
    std::fprintf(stderr, "selvage-quality: --frames %s: expected FIRST-LAST\n", frames_text.c_str());
    return 2;
  }
  if (raw.empty() && background.empty()) {
    std::fprintf(stderr, "selvage-quality: --background is needed\n");
    return 2;
  }
  try {
    const std::vector<Truth> truth = ReadTruth(truth_pattern, frames);
    if (!raw.empty()) {
      BestLevels(raw, truth, frames);
      return 0;
    }
    std::printf("%-12s %10s %9s %10s %8s %8s %8s %8s %10s %10s\n", "element", "MSE x1e3", "band SAD", "MSE x1e3",
                "grad", "conn", "flicker", "colour", "over bg", "over grey");
    for (const std::string& text : elements) {
      const size_t equals = text.find('=');
      if (equals == std::string::npos) throw std::runtime_error(text + ": expected NAME=FILES");
      const Line l = Measure(text.substr(equals + 1), truth, frames, background);
      std::printf("%-12s %10.4f %9.4f %10.4f %8.4f %8.4f %8.4f %8.4f %10.5f %10.5f\n", text.substr(0, equals).c_str(),
                  l.mse * 1e3, l.band_sad, l.band_mse * 1e3, l.gradient, l.connectivity, l.flicker, l.color,
                  l.over_background, l.over_grey);
    }
    if (parts.empty()) return 0;
    std::printf("\n%-12s", "MSE x1e3 in");
    for (const char* name : kPartNames) std::printf(" %8s", name);
    std::printf("\n");
    for (const std::string& text : elements) {
      const size_t equals = text.find('=');
      std::printf("%-12s", text.substr(0, equals).c_str());
      for (const double mse : MeasureParts(text.substr(equals + 1), parts, truth, frames)) {
        mse < 0 ? std::printf(" %8s", "-") : std::printf(" %8.3f", mse * 1e3);
      }
      std::printf("\n");
    }
  } catch (const std::exception& e) {
    std::fprintf(stderr, "selvage-quality: %s\n", e.what());
    return 1;
  }
  return 0;
}
