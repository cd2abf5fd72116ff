// Small shots with exact truth that nobody drew for the keys: photographic cut-outs
// and soft things before drawn screens, one family for each way in which a matte is soft.
#pragma once

#include <string>
#include <vector>

#include "tests/scene/picture.h"

namespace selvage::quality {

// What stands beside the cut-out.
enum class Extra { kNone, kPane, kSmoke, kDarkHair, kPaleHair, kMesh };
// What the screen has but for uneven light and folds.
enum class Trouble { kNone, kHotSpot, kDeepFolds, kShadow, kFlicker };

struct Family {
  const char* name;
  // Left alone while parameters are chosen, and run at the end.
  bool untouched;
  // Of the picture, over 320 x 240; distances below are for this size.
  float size = 1;
  scene::V3 screen;
  // Below the folder of cut-outs, without ".png".
  const char* cut_out;
  // Height of the cut-out and its middle in the first frame, pixels; its way in a frame, all of it
  // with the shutter open.
  float height, x, y;
  float dx = 0, dy = 0;
  // Radius of the disc of confusion.
  float defocus = 0;
  // Another cut-out that stands still behind: height and middle.
  const char* behind = nullptr;
  float behind_height = 0, behind_x = 0, behind_y = 0;
  Extra extra = Extra::kNone;
  // Of the light on everything.
  float light = 1;
  // Variance of the sensor's noise: a y + b.
  float noise_a = 2e-4f, noise_b = 1e-5f;
  bool chroma_halved = false;
  // Of the file, 1 to 100; 0: not compressed.
  int jpeg = 0;
  // Of an unsharp mask, in display code.
  float sharpening = 0;
  // Of the cut-out's colours.
  scene::V3 tint{1, 1, 1};
  Trouble trouble = Trouble::kNone;
  // Share of the screen's colour that falls on the foreground.
  float spill = 0.04f;
};

const std::vector<Family>& Families();

// Of all that is drawn: to be raised with a change of it, so that frames that were kept are drawn again.
inline constexpr int kDrawingVersion = 1;
inline constexpr int kFrames = 2;
inline int WidthOf(const Family& f) { return static_cast<int>(320 * f.size); }
inline int HeightOf(const Family& f) { return static_cast<int>(240 * f.size); }
// A box of bare screen in every shot: x, y, width, height.
inline constexpr int kBox[4] = {8, 8, 32, 32};

struct Frame {
  // As shot; and what stands before the screen: premultiplied, without spill and noise.
  scene::Picture plate, truth;
};

// Throws std::exception where the cut-out cannot be read.
Frame Draw(const Family& family, int frame, const std::string& folder);

}  // namespace selvage::quality
