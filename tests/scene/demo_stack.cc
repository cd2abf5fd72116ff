#include "tests/scene/demo_stack.h"

#include <cstdio>
#include <set>

#include "tests/scene/demo_passes.h"
#include "tests/scene/drawn_masks.h"

namespace selvage::scene {
namespace {

std::string Decimal(float value) {
  char buffer[32];
  std::snprintf(buffer, sizeof buffer, "%.4g", static_cast<double>(value));
  return buffer;
}

// A box of plane metres, kept inside the picture and at least 16 pixels wide.
std::string Box(const Camera& camera, float x0, float y0, float x1, float y1) {
  auto span = [](float a, float b, int limit, int* from, int* size) {
    *from = std::clamp(static_cast<int>(a), 0, limit - 16);
    *size = std::clamp(static_cast<int>(b) - *from, 16, limit - *from);
  };
  int x, y, width, height;
  span(camera.PixelX(x0), camera.PixelX(x1), camera.width, &x, &width);
  span(camera.PixelY(y1), camera.PixelY(y0), camera.height, &y, &height);
  return "x: " + std::to_string(x) + " y: " + std::to_string(y) + " width: " + std::to_string(width) +
         " height: " + std::to_string(height);
}

// The late grade: lifts towards the last third; the last key frame lies inside.
std::string GradeKeys(const Shot& shot) {
  struct Key {
    int at;
    const char* stops;
  };
  std::string keys;
  std::set<int> used;
  for (Key k : {Key{0, "-0.10"}, Key{9, "-0.05"}, Key{19, "0.15"}}) {
    int frame = shot.first + (shot.frames - 1) * k.at / 23;
    if (used.insert(frame).second) keys += "at { frame: " + std::to_string(frame) + " value: " + k.stops + " } ";
  }
  return keys + "ease: SMOOTH";
}

// Replaces @name@ in the passes.
std::string Value(const std::string& name, const Shot& shot, ScreenHue hue) {
  Camera camera(shot.width, shot.height);
  bool blue = hue == ScreenHue::kBlue, yellow = hue == ScreenHue::kYellowGreen;
  float side = std::min(1.42f, 0.5f * camera.metres_per_pixel * static_cast<float>(shot.width) - 0.03f);
  if (name.rfind("px", 0) == 0) return Decimal(std::stof(name.substr(2)) * static_cast<float>(shot.height) / 540);
  if (name == "bare_box") return Box(camera, -side, 1.20f, -std::min(0.92f, side - 0.1f), 1.58f);
  if (name == "hair_box") return Box(camera, -0.72f, 1.40f, -0.52f, 1.62f);
  if (name == "floor_box") return Box(camera, -std::min(0.95f, side), -0.05f, -0.50f, 0.09f);
  if (name == "hue") return blue ? "BLUE" : "GREEN";
  if (name == "hair_weights") return blue ? "r: 1 g: 0 b: -1" : "r: 1 g: -1 b: 0";
  if (name == "hair_low") return blue ? "-0.30" : yellow ? "-0.125" : "-0.255";
  if (name == "hair_full") return "0.015";
  if (name == "bright_weights") return yellow ? "r: 0 g: 0 b: 1" : "r: 1 g: 0 b: 0";
  if (name == "bright_low") return "0.085";
  if (name == "bright_full") return "0.46";
  if (name == "straw_full") return yellow ? "0.16" : "0.30";
  if (name == "shade_low") return "0.06";
  if (name == "shade_full") return "0.135";
  if (name == "core_full") return "0.105";
  if (name == "screen_weights") return blue ? "r: 0 g: 0 b: 1" : "r: 0 g: 1 b: 0";
  if (name == "shadow_low") return "0.05";
  if (name == "shadow_full") return "0.185";
  return GradeKeys(shot);
}

}  // namespace

std::string DemoStack(const Shot& shot, ScreenHue hue) {
  std::string out =
      "# A beekeeper before a screen, keyed region by region. The plates are drawn by\n"
      "# selvage-scene --out shot, beside this file; selvage-scene --stack FILE writes\n"
      "# this stack for another size or length.\n"
      "name: \"apiary_010\"\n";
  out += "frames { first: " + std::to_string(shot.first) + " last: " + std::to_string(shot.first + shot.frames - 1) +
         " }\n";
  out += "format { width: " + std::to_string(shot.width) + " height: " + std::to_string(shot.height) + " }\n";
  out +=
      "plate { name: \"plate\" files: \"shot/plate.%04d.exr\" }\n"
      "plate { name: \"clean_plate\" files: \"shot/clean.%04d.exr\" missing: HOLD }\n"
      "plate { name: \"meadow\" files: \"shot/meadow.%04d.exr\" missing: HOLD }\n\n";
  out += DrawnMasks(shot);
  std::string passes = kDemoPasses;
  for (size_t from = passes.find('@'); from != std::string::npos; from = passes.find('@', from)) {
    size_t to = passes.find('@', from + 1);
    std::string value = Value(passes.substr(from + 1, to - from - 1), shot, hue);
    passes.replace(from, to - from + 1, value);
    from += value.size();
  }
  return out + passes;
}

}  // namespace selvage::scene
