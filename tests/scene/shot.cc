#include "tests/scene/shot.h"

namespace selvage::scene {

float LensSigma(int height) { return 0.62f * std::max(1.0f, static_cast<float>(height) / 1080.0f); }

Painter::Painter(const Shot& shot, ScreenHue hue, uint32_t seed)
    : shot_(shot), seed_(seed), camera_(shot.width, shot.height), screen_(hue, seed), studio_(screen_, seed) {
  clean_ = DrawScreen(camera_, screen_);
  SoftenLens(LensSigma(shot.height), &clean_);
}

FrameTruth Painter::Draw(int frame) const {
  float moment = static_cast<float>(frame);
  // What moves little is drawn at the middle of the shutter.
  Pose pose = PoseAt(shot_, moment + 0.5f * kShutter);
  Figure figure(pose);
  FrameTruth truth;
  truth.clean = clean_;
  Picture& f = truth.foreground = Picture(shot_.width, shot_.height);
  DrawVeil(camera_, studio_, pose, VeilSide::kBack, &f);
  DrawSmoker(camera_, studio_, pose, figure, &f);
  DrawBody(camera_, studio_, pose, figure, &f);
  DrawHair(camera_, studio_, shot_, moment, seed_, HairPart::kInside, &f);
  DrawVeil(camera_, studio_, pose, VeilSide::kFront, &f);
  DrawHair(camera_, studio_, shot_, moment, seed_, HairPart::kOutside, &f);
  DrawHat(camera_, studio_, pose, figure, &f);
  DrawSwing(camera_, studio_, shot_, moment, &f);
  DrawPanel(camera_, studio_, shot_, moment, &f);
  truth.shadow = DrawShadow(camera_, screen_, figure.casters);
  // The lens softens colour and coverage alike, and the screen and its shadow
  // on their own; what it does to their product is left out, so that the truth
  // is exact by definition.
  SoftenLens(LensSigma(shot_.height), &truth.foreground);
  for (Rgba& p : truth.foreground.pixels) p.a = Clamp01(p.a);
  return truth;
}

std::vector<Part> Painter::DrawParts(int frame) const {
  constexpr float kLeast = 0.003f;
  const float moment = static_cast<float>(frame);
  const Pose pose = PoseAt(shot_, moment + 0.5f * kShutter);
  const Figure figure(pose);
  const size_t pixels = static_cast<size_t>(shot_.width) * shot_.height;
  std::vector<float> most(pixels, kLeast), open(pixels, 1);
  std::vector<Part> parts(pixels, Part::kScreen);
  // From the front, so that each layer counts with what is seen of it.
  const auto see = [&](Part part, const auto& draw) {
    Picture layer(shot_.width, shot_.height);
    draw(&layer);
    SoftenLens(LensSigma(shot_.height), &layer);
    for (size_t i = 0; i < pixels; ++i) {
      const float seen = open[i] * Clamp01(layer.pixels[i].a);
      open[i] -= seen;
      if (seen <= most[i]) continue;
      most[i] = seen;
      parts[i] = part;
    }
  };
  see(Part::kPanel, [&](Picture* p) { DrawPanel(camera_, studio_, shot_, moment, p); });
  see(Part::kTool, [&](Picture* p) { DrawSwing(camera_, studio_, shot_, moment, p); });
  see(Part::kHat, [&](Picture* p) { DrawHat(camera_, studio_, pose, figure, p); });
  see(Part::kHair, [&](Picture* p) { DrawHair(camera_, studio_, shot_, moment, seed_, HairPart::kOutside, p); });
  see(Part::kMesh, [&](Picture* p) { DrawVeil(camera_, studio_, pose, VeilSide::kFront, p); });
  see(Part::kHair, [&](Picture* p) { DrawHair(camera_, studio_, shot_, moment, seed_, HairPart::kInside, p); });
  see(Part::kSuit, [&](Picture* p) { DrawBody(camera_, studio_, pose, figure, p); });
  see(Part::kSteel, [&](Picture* p) { DrawSmoker(camera_, studio_, pose, figure, p); });
  see(Part::kMesh, [&](Picture* p) { DrawVeil(camera_, studio_, pose, VeilSide::kBack, p); });

  constexpr float kBootTops = 0.34f, kShadowed = 0.93f;
  const Picture shadow = DrawShadow(camera_, screen_, figure.casters);
  for (int y = 0; y < shot_.height; ++y) {
    const bool low = camera_.PlaneY(static_cast<float>(y) + 0.5f) < kBootTops;
    for (int x = 0; x < shot_.width; ++x) {
      const size_t i = static_cast<size_t>(y) * shot_.width + x;
      if (parts[i] == Part::kSuit && low) parts[i] = Part::kBoots;
      if (parts[i] == Part::kScreen && shadow.pixels[i].r < kShadowed) parts[i] = Part::kShadow;
    }
  }
  return parts;
}

Picture Compose(const FrameTruth& truth) {
  Picture plate = truth.foreground;
  for (size_t i = 0; i < plate.pixels.size(); ++i) {
    Rgba& p = plate.pixels[i];
    Rgba behind = truth.clean.pixels[i] * truth.shadow.pixels[i].r;
    p = {p.r + (1 - p.a) * behind.r, p.g + (1 - p.a) * behind.g, p.b + (1 - p.a) * behind.b, 1};
  }
  return plate;
}

}  // namespace selvage::scene
