// Draws a whole shot into a folder.
#pragma once

#include <functional>
#include <set>
#include <string>

#include "tests/scene/shot.h"

namespace selvage::scene {

struct RenderOptions {
  std::string folder;
  Shot shot;
  uint32_t seed = 1;
  ScreenHue hue = ScreenHue::kGreen;
  std::string noise = "light";
  bool subsample = false, dpx = false, png = false;
  std::set<std::string> only = {"plate", "alpha", "foreground", "clean", "meadow"};
  unsigned threads = 0;

  // Comma-separated names; empty leaves the default. Throws on an unknown one.
  void SetOnly(const std::string& names);
};

Noise3 NoiseOf(const std::string& level);

// The plate as recorded: noise, and what the recording loses.
Picture Record(const RenderOptions& options, const FrameTruth& truth, int frame);

// Writes every chosen file and scene.json. The bytes depend on the options
// alone, not on threads. `progress` is called with the number of frames done.
// Throws std::exception when something can't be written.
void Render(const RenderOptions& options, const std::function<void(int)>& progress);

}  // namespace selvage::scene
