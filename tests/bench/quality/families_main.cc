// selvage-families: keys against exact truth on small shots that nobody drew for them.
// In this process, without a daemon; nothing of the cut-outs is kept.
#include <CLI/CLI.hpp>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <stdexcept>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "tests/bench/quality/families.h"
#include "tests/bench/quality/kept.h"
#include "tests/scene/files.h"
#include "tests/testing/op_tester.h"
#include "worker/kernels/pixels/half.h"

namespace {

using namespace selvage;
using namespace selvage::worker;
using quality::Families;
using quality::Family;
using quality::Frame;
using quality::Kept;
using quality::Key;

// As a worker reads it: halves.
worker::Picture Stored(const scene::Picture& in) {
  const Rect rect{0, 0, in.width, in.height};
  worker::Picture out;
  out.kind = OPAQUE;
  for (float scene::Rgba::*channel : {&scene::Rgba::r, &scene::Rgba::g, &scene::Rgba::b}) {
    Plane plane(rect);
    for (int y = 0; y < rect.y1; ++y) {
      for (int x = 0; x < rect.x1; ++x) plane.at(x, y) = in.At(x, y).*channel;
      RoundToHalf(plane.row(y), rect.width());
    }
    out.planes.push_back(std::move(plane));
  }
  out.planes.push_back(Plane::Filled(rect, 1));
  return out;
}

std::vector<float> AlphaOf(const scene::Picture& truth) {
  std::vector<float> alpha;
  for (const scene::Rgba& p : truth.pixels) alpha.push_back(p.a);
  return alpha;
}

std::vector<float> ValuesOf(const Plane& plane) {
  const Rect& rect = plane.rect();
  std::vector<float> values;
  for (int y = 0; y < rect.y1; ++y) values.insert(values.end(), plane.row(y), plane.row(y) + rect.width());
  return values;
}

double MeanSquare(const std::vector<float>& a, const std::vector<float>& b) {
  double sum = 0;
  for (size_t i = 0; i < a.size(); ++i) sum += (a[i] - b[i]) * (a[i] - b[i]);
  return sum / static_cast<double>(a.size());
}

std::string BoxColor(const worker::Picture& plate) {
  double mean[3] = {};
  const auto& [x, y, w, h] = quality::kBox;
  for (int c = 0; c < 3; ++c) {
    for (int j = y; j < y + h; ++j) {
      for (int i = x; i < x + w; ++i) mean[c] += plate.planes[c].at(i, j) / (w * h);
    }
  }
  return absl::StrCat("color { r: ", mean[0], " g: ", mean[1], " b: ", mean[2], " }");
}

worker::Picture CleanPlate(const worker::Picture& plate) {
  return OpTester(absl::StrCat("screen_plate { screen { ", BoxColor(plate), " } }")).Main(plate).Render();
}

struct Keyed {
  worker::Picture matte, front;  // front: straight
};

// What `selvage new` writes, but for steady, degrain and the garbage mask.
struct StartingChain {
  // Of unmix.
  std::string unmix;
  // Steps behind it.
  std::vector<std::string> after;
  bool detail = false, own_color = false;

  Keyed Make(const Family& family, const worker::Picture& shot) const {
    const bool finer = detail && (family.chroma_halved || family.jpeg > 0);
    const worker::Picture plate = finer ? OpTester("chroma_detail {}").Main(shot).Render() : shot;
    const worker::Picture clean = CleanPlate(plate);
    Keyed keyed;
    keyed.matte = OpTester("unmix { clean_plate: 'c' " + unmix + " }").Main(plate).With("clean_plate", clean).Render();
    for (const std::string& step : after) keyed.matte = OpTester(step).Main(keyed.matte).Render();
    worker::Picture inside = OpTester("choke { pixels { value: 4 } }").Main(keyed.matte).Render();
    inside = OpTester("soften { sigma { value: 1.3 } }").Main(inside).Render();
    keyed.front = OpTester("recover_color { matte: 'm' clean_plate: 'c' }")
                      .Main(plate)
                      .With("matte", keyed.matte)
                      .With("clean_plate", clean)
                      .Render();
    if (own_color) {
      const worker::Picture own = OpTester("spread_color { core: 'i' }").Main(plate).With("core", inside).Render();
      keyed.front = OpTester("despill { screen { clean_plate: 'c' } restore: OWN own_color: 'o' }")
                        .Main(keyed.front)
                        .With("screen.clean_plate", clean)
                        .With("own_color", own)
                        .Render();
    } else {
      keyed.front = OpTester("despill { screen { clean_plate: 'c' } restore: NEUTRAL protect: 'i' }")
                        .Main(keyed.front)
                        .With("screen.clean_plate", clean)
                        .With("protect", inside)
                        .Render();
    }
    return keyed;
  }
};

// Mean absolute error of the composite over mid grey and over near white, x 1000.
double CompositeError(const Keyed& keyed, const scene::Picture& truth) {
  double sum = 0;
  for (const float behind : {0.18f, 0.8f}) {
    for (int y = 0; y < truth.height; ++y) {
      for (int x = 0; x < truth.width; ++x) {
        const scene::Rgba& t = truth.At(x, y);
        const float a = keyed.matte.planes[0].at(x, y), right[3] = {t.r, t.g, t.b};
        for (int c = 0; c < 3; ++c) {
          const float mine = keyed.front.planes[c].at(x, y) * a + behind * (1 - a);
          sum += std::abs(mine - (right[c] + behind * (1 - t.a)));
        }
      }
    }
  }
  return 1000 * sum / (6.0 * static_cast<double>(truth.pixels.size()));
}

// What levels make of a key against the truth, from sums over pixels of nearly the same key.
class Bins {
 public:
  void Add(const std::vector<float>& key, const std::vector<float>& truth) {
    for (size_t i = 0; i < key.size(); ++i) {
      Bin& bin = bins_[static_cast<size_t>(std::lround(kBins * std::clamp(key[i], 0.0f, 1.0f)))];
      ++bin.count, bin.truth += truth[i], bin.square += truth[i] * truth[i];
    }
    all_ += static_cast<double>(key.size());
  }
  double Error(float black, float white) const {
    double sum = 0;
    for (int i = 0; i <= kBins; ++i) {
      const Bin& bin = bins_[i];
      const double v = std::clamp((static_cast<float>(i) / kBins - black) / (white - black), 0.0f, 1.0f);
      sum += bin.count * v * v - 2 * v * bin.truth + bin.square;
    }
    return sum / all_;
  }

 private:
  static constexpr int kBins = 2000;
  struct Bin {
    double count = 0, truth = 0, square = 0;
  };
  std::vector<Bin> bins_ = std::vector<Bin>(kBins + 1);
  double all_ = 0;
};

// The single color_difference nearest to the truth, on the plate that screen_plate makes.
Key BestKey(const std::vector<worker::Picture>& plates, const std::vector<Frame>& frames) {
  std::vector<worker::Picture> clean;
  for (const worker::Picture& plate : plates) clean.push_back(CleanPlate(plate));
  Key best;
  for (const char* params :
       {"axis: GENERAL", "axis: CHANNEL larger_weight { value: 0 }", "axis: CHANNEL larger_weight { value: 0.25 }",
        "axis: CHANNEL larger_weight { value: 0.5 }", "axis: CHANNEL larger_weight { value: 0.75 }",
        "axis: CHANNEL larger_weight { value: 1 }"}) {
    Bins bins;
    for (size_t i = 0; i < plates.size(); ++i) {
      const std::string step = absl::StrCat("color_difference { screen { clean_plate: 'c' } ", params, " }");
      const worker::Picture key = OpTester(step).Main(plates[i]).With("screen.clean_plate", clean[i]).Render();
      bins.Add(ValuesOf(key.planes[0]), AlphaOf(frames[i].truth));
    }
    for (int b = 0; b < 45; ++b) {
      for (int w = b + 1; w <= 50; ++w) {
        const Key key{params, 0.02f * b, 0.02f * w, bins.Error(0.02f * b, 0.02f * w)};
        if (key.error < best.error) best = key;
      }
    }
  }
  return best;
}

// How much what changes from one frame to the next is not what truly changes, in the soft band.
double Flicker(const std::vector<std::vector<float>>& mattes, const std::vector<Frame>& frames) {
  double sum = 0;
  int count = 0;
  for (size_t i = 1; i < mattes.size(); ++i) {
    for (size_t p = 0; p < mattes[i].size(); ++p) {
      const float before = frames[i - 1].truth.pixels[p].a, now = frames[i].truth.pixels[p].a;
      if (std::max(before, now) < 0.02f || std::min(before, now) > 0.98f) continue;
      const double off = (mattes[i][p] - mattes[i - 1][p]) - (now - before);
      sum += off * off;
      ++count;
    }
  }
  return std::sqrt(sum / std::max(1, count));
}

void WritePicture(const std::string& file, const worker::Picture& color, const Plane& alpha) {
  scene::Picture out(alpha.rect().width(), alpha.rect().height());
  for (int y = 0; y < out.height; ++y) {
    for (int x = 0; x < out.width; ++x) {
      const float a = alpha.at(x, y);
      out.At(x, y) = {color.planes[0].at(x, y) * a, color.planes[1].at(x, y) * a, color.planes[2].at(x, y) * a, 1};
    }
  }
  scene::WritePng(file, out);
}

void WriteMatte(const std::string& file, const std::vector<float>& alpha, int width, int height) {
  scene::Picture out(width, height);
  for (size_t i = 0; i < alpha.size(); ++i) {
    // As light whose display code is alpha.
    const float a = std::clamp(alpha[i], 0.0f, 1.0f),
                l = a <= 0.04045f ? a / 12.92f : std::pow((a + 0.055f) / 1.055f, 2.4f);
    out.pixels[i] = {l, l, l, 1};
  }
  scene::WritePng(file, out);
}

void WriteLook(const std::string& folder, const Family& family, const Frame& frame, const Keyed& keyed) {
  const std::string base = folder + "/" + quality::FileName(family.name);
  scene::WritePng(base + "_plate.png", frame.plate);
  const int width = frame.truth.width, height = frame.truth.height;
  WriteMatte(base + "_truth.png", AlphaOf(frame.truth), width, height);
  WriteMatte(base + "_matte.png", ValuesOf(keyed.matte.planes[0]), width, height);
  WritePicture(base + "_black.png", keyed.front, keyed.matte.planes[0]);
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{
      "Families of soft things before screens of six hues: `new`'s keys against the best single color_difference,\n"
      "mean squared error of alpha x 1000 and mean absolute error of the composite over two greys x 1000.\n"
      "Needs Debian's tuxpaint-stamps-default.\n\n"
      "  selvage-families\n  selvage-families --untouched      the half that nothing is tuned on"};
  std::string folder = "/usr/share/tuxpaint/stamps", look, only, keep;
  bool untouched = false, all = false;
  StartingChain chain;
  app.add_option("--cut-outs", folder, "Folder of the cut-outs");
  app.add_option("--keep", keep, "Keep what was drawn, and the best keys, in this folder for the next run");
  app.add_option("--look", look, "Write pictures of each family's first frame there");
  app.add_option("--only", only, "Families with this in their name");
  app.add_option("--unmix", chain.unmix, "More fields for unmix");
  app.add_option("--after", chain.after, "Steps behind unmix, as \"levels { black { value: 0.04 } }\"");
  app.add_flag("--chroma-detail", chain.detail, "chroma_detail first where chroma was halved");
  app.add_flag("--own-color", chain.own_color,
               "despill by the foreground's own colour instead of protecting the inside");
  app.add_flag("--untouched", untouched, "The half that is left alone while tuning");
  app.add_flag("--all", all, "Both halves");
  CLI11_PARSE(app, argc, argv);
  if (!std::filesystem::exists(folder)) {
    std::fprintf(stderr, "selvage-families: there is no folder %s; install tuxpaint-stamps-default\n", folder.c_str());
    return 2;
  }
  try {
    const Kept kept(keep);
    std::printf("%-24s %8s %9s %6s %9s %8s   %s\n", "family", "new", "best key", "ratio", "composite", "flicker",
                "best key is");
    double logs = 0;
    int count = 0, behind = 0;
    for (const Family& family : Families()) {
      if (!all && family.untouched != untouched) continue;
      if (std::string(family.name).find(only) == std::string::npos) continue;
      const std::vector<Frame> frames = kept.Frames(family, folder);
      std::vector<worker::Picture> plates;
      std::vector<std::vector<float>> mattes;
      double error = 0, composite = 0;
      for (const Frame& frame : frames) {
        plates.push_back(Stored(frame.plate));
        const Keyed keyed = chain.Make(family, plates.back());
        mattes.push_back(ValuesOf(keyed.matte.planes[0]));
        error += MeanSquare(mattes.back(), AlphaOf(frame.truth)) / quality::kFrames;
        composite += CompositeError(keyed, frame.truth) / quality::kFrames;
        if (plates.size() == 1 && !look.empty()) WriteLook(look, family, frame, keyed);
      }
      auto best_key = kept.FindKey(family);
      if (!best_key) {
        best_key = BestKey(plates, frames);
        kept.KeepKey(family, *best_key);
      }
      const Key& best = *best_key;
      std::printf("%-24s %8.3f %9.3f %6.2f %9.2f %8.3f   %s, levels %.2f to %.2f\n", family.name, 1e3 * error,
                  1e3 * best.error, error / best.error, composite, Flicker(mattes, frames), best.params.c_str(),
                  best.black, best.white);
      std::fflush(stdout);
      logs += std::log(error / best.error);
      behind += error > best.error;
      ++count;
    }
    if (count > 0) {
      std::printf("geometric mean of the ratio: %.3f over %d families, %d of them behind the best key\n",
                  std::exp(logs / count), count, behind);
    }
  } catch (const std::exception& e) {
    std::fprintf(stderr, "selvage-families: %s\n", e.what());
    return 1;
  }
  return 0;
}
