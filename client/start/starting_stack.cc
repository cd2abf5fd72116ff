#include "client/start/starting_stack.h"

#include <algorithm>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"

namespace selvage::client {
namespace {

// How far inside the edge the screen's light is taken away, in pixels at 360 lines.
constexpr double kSpillReach = 6;

std::string Quoted(const std::string& text) { return absl::StrCat("\"", absl::CEscape(text), "\""); }

std::string BoxText(const SampleBox& box) {
  return absl::StrCat("sample { x: ", box.x(), " y: ", box.y(), " width: ", box.width(), " height: ", box.height(),
                      box.has_frame() ? absl::StrCat(" frame: ", box.frame()) : "", " }");
}

std::string PlateText(const StartingStack& s) {
  const PlateFindings& f = s.findings;
  std::string text = absl::StrFormat(
      "# The plate: %d x %d, values from %.3g to %.3g. Screen colour R %.3g G %.3g B %.3g, saturation %.2f;\n"
      "# bare screen is %.0f %% of the picture. `encoding` is what the files say of themselves, or what is usual for "
      "their\n"
      "# type: change it to bt709 (or linear, srgb, ...) where that is wrong.\n",
      f.width(), f.height(), f.least(), f.greatest(), f.screen(0), f.screen(1), f.screen(2), f.saturation(),
      100 * f.bare_share());
  if (!s.plate.missing.empty()) {
    absl::StrAppend(&text, "# Frames without a file (", absl::StrJoin(s.plate.missing, ", "),
                    s.plate.missing.size() >= 10 ? ", ..." : "", ") hold the one before.\n");
  }
  absl::StrAppend(&text, "plate { name: \"plate\" files: ", Quoted(s.plate_files));
  if (f.has_encoding())
    absl::StrAppend(&text, " encoding: ", absl::AsciiStrToLower(Encoding_Name(f.encoding()).substr(9)));
  absl::StrAppend(&text, s.plate.missing.empty() ? "" : " missing: HOLD", " }\n");
  if (!s.background_files.empty()) {
    // Numbered otherwise than the shot: its first frame goes with the shot's first.
    if (s.background_offset != 0) absl::StrAppend(&text, "# The background is numbered otherwise; see `offset`.\n");
    absl::StrAppend(&text, "plate { name: \"background\" files: ", Quoted(s.background_files),
                    s.background_offset == 0 ? "" : absl::StrCat(" offset: ", s.background_offset),
                    " missing: HOLD }\n");
  }
  return text;
}

std::string GarbageText(const PlateFindings& f, double scale) {
  if (f.garbage().empty()) return "";
  return absl::StrFormat(
      "\n# Garbage mask: what lies outside is thrown away. Drawn around all that is not screen at frames\n"
      "# %s, with a margin; %.0f %% of the picture lies inside. Change it first if something is cut off,\n"
      "# or to shut out stands, marks and the end of the screen. Key frames: at { frame: 1001 path: \"...\" }.\n"
      "mask {\n"
      "  name: \"garbage\"\n"
      "  shape { path: \"%s\" feather: %.0f }\n"
      "}\n",
      absl::StrJoin(f.surveyed(), ", "), 100 * f.garbage_share(), f.garbage(), std::max(2.0, 12 * scale));
}

// $name stands for what `values` give for it.
std::string Filled(const char* text, const std::vector<std::pair<std::string, std::string>>& values) {
  return absl::StrReplaceAll(text, values);
}

constexpr char kFiner[] = R"(
# 0. The recording halved the chroma: its detail is put back from luma before the key. Take the pass out (and write "plate"
#    for "finer") where edges get worse.
pass { name: "finer" from: "plate" step { chroma_detail {} } }
# What is bare screen for sure is looked for in the plate as shot: a shadow on the screen that was made finer has no longer the
# screen's hue, and would be kept.
pass { name: "bare" from: "plate" step { sure_screen { clean_plate: "clean_plate" } } }
)";

constexpr char kPasses[] = R"(
# 1. The screen without the foreground, made from the plate itself. The box is bare screen and says its colour. If
#    somebody filmed the empty screen, that is better: make it a plate named "clean_plate" and remove this pass.
pass { name: "clean_plate" from: "$plate" step { screen_plate { screen { $box } } } }

# 2. The matte. `unmix` takes foreground and screen apart in the soft edge$steadies. What could be soft stays soft: where
#    something solid is half open (skin near the screen's hue, metal that mirrors it, white cloth full of screen light),
#    draw a loose mask inside it and name it: unmix { clean_plate: "clean_plate" solid: "metal" }. Where something soft was
#    closed (glass, smoke): unmix { clean_plate: "clean_plate" soft: "glass" }. A veil of noise left on the screen? Add
#    step { levels { black: 0.02 } }, as little as helps: fine hair goes with it.
pass {
  name: "matte" from: "$plate"
  step { unmix { clean_plate: "clean_plate"$bare } }
$steady$within}

# 3. Degrained plate for the colour work, and the grain that was taken away. The box says how noisy the camera is: bare
#    screen, nothing else in it. The matte is pulled from the plate as shot.
pass { name: "degrained" from: "$plate" step { degrain { window: $window $box } } }
pass { name: "grain" from: "$plate" step { degrain { window: $window $box grain: true } } }

# 4. The foreground: its own colour at the edges (recover_color), the screen's light on it taken away (despill), its grain
#    put back. `own` is the colour of the inside, spread outward: as much of the screen's hue as that has is left at the
#    edge, and the inside stays as it is. The screen's light on the whole body? Take `own_color` out and write
#    `restore: NEUTRAL`. Too grey at the edges? Lower despill's amount. A fringe of screen left? Push colour outward from the
#    solid parts instead, with this step behind despill:
#      step { spread_color { core: "matte" amount: 0.5 } }
pass { name: "inside" from: "matte" step { choke { pixels: $choke } } step { soften { sigma: $soft } } }
pass { name: "own" from: "degrained" step { spread_color { core: "inside" } } }
pass {
  name: "front" from: "degrained"
  step { recover_color { matte: "matte" clean_plate: "clean_plate" } }
  step { despill { screen { clean_plate: "clean_plate" } restore: OWN own_color: "own" } }
  step { regrain { grain: "grain" } }
  step { premultiply {} }
}
)";

constexpr char kGrey[] = R"(
# 5. Over a plain grey. Your own background: plate { name: "background" files: "bg/meadow.%04d.exr" missing: HOLD } at
#    the top, and remove this pass.
pass { name: "background" step { flood { color: [0.18, 0.18, 0.18] } } }
)";

constexpr char kOver[] = R"(pass { name: "comp" from: "front" step { composite { with: "background" rule: OVER } } }

# What is written: the composite, and the foreground with its matte for work elsewhere.
deliver { name: "comp" from: "comp" files: "out/comp/$name.%04d.exr" }
deliver { name: "element" from: "front" files: "out/element/$name.%04d.exr" }
)";

}  // namespace

std::string TextOf(const StartingStack& s) {
  const PlateFindings& f = s.findings;
  const double scale = f.height() / 360.0;
  const int middle = static_cast<int>((int64_t{f.first()} + f.last()) / 2);
  std::string text = absl::StrCat(
      "# A starting stack, written by `selvage new`. It keys as it stands. Look at it first:\n#   selvage look ",
      s.file, " front --frame ", middle, " --as checker -o front.png\n#   selvage look ", s.file, " matte --frame ",
      middle,
      " --as matte -o matte.png\n"
      "# then change it from the top down; `selvage manual NAME` says what a step does and what every number means.\n");
  for (const std::string& warning : f.warning()) absl::StrAppend(&text, "# Warning: ", warning, ".\n");
  absl::StrAppend(&text, "name: ", Quoted(s.name), "\nframes { first: ", f.first(), " last: ", f.last(), " }\n\n",
                  PlateText(s), GarbageText(f, scale));
  const bool alone = f.first() == f.last();
  const std::string plate = f.chroma_halved() ? "finer" : "plate";
  const std::vector<std::pair<std::string, std::string>> values = {
      {"$box", BoxText(f.box())},
      {"$plate", plate},
      {"$bare", f.chroma_halved() ? " bare: \"bare\"" : ""},
      {"$steadies", alone ? "" : ", `steady` takes its flicker"},
      {"$steady", alone ? "" : absl::StrCat("  step { steady { plate: \"", plate, "\" } }\n")},
      {"$window", alone ? "0" : "1"},
      {"$choke", absl::StrFormat("%.1f", kSpillReach * scale)},
      {"$soft", absl::StrFormat("%.1f", kSpillReach / 3 * scale)},
      {"$within", f.garbage().empty() ? "" : "  step { within { mask: \"garbage\" } }\n"},
      {"$name", s.name}};
  absl::StrAppend(&text, f.chroma_halved() ? kFiner : "", Filled(kPasses, values),
                  s.background_files.empty() ? kGrey : "\n# 5. Over the background.\n", Filled(kOver, values));
  return text;
}

}  // namespace selvage::client
