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
