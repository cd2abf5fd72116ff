// Checks of fields that only make sense together.
#include <algorithm>
#include <array>
#include <set>

#include "absl/strings/str_cat.h"
#include "server/plan/resolve.h"
#include "server/plan/values_check.h"

namespace selvage::plan {
namespace {

struct Part {
  const char* name;
  const Number& number;
  double otherwise;
};

double DefaultOf(const google::protobuf::Descriptor* d, const char* field) {
  return TraitsOf(d->FindFieldByName(field)).default_value();
}

// Each part must not be below the one before (above it, if `strict`), at every
// key frame of any of them. Between key frames eased numbers could still cross;
// operators take equal and crossed bounds for a hard edge.
void CheckOrder(const Place& at, std::initializer_list<Part> parts, bool strict, Faults* faults) {
  std::set<int32_t> frames;
  for (const Part& p : parts) {
    for (const auto& k : p.number.at()) frames.insert(k.frame());
  }
  const bool moving = !frames.empty();
  if (!moving) frames.insert(0);
  for (int32_t frame : frames) {
    const Part* before = nullptr;
    double last = 0;
    for (const Part& p : parts) {
      const double v = NumberAt(p.number, frame, p.otherwise);
      if (before != nullptr && (strict ? v <= last : v < last)) {
        const Place here = at.Field(p.name);
        faults->Add(here.path,
                    absl::StrCat(here.words, moving ? absl::StrCat(" at frame ", frame) : "", ": ", v,
                                 strict ? " must be above " : " must not be below ", before->name, ", ", last));
        return;
      }
      before = &p;
      last = v;
    }
  }
}

// The direction of the colour is what a key works along, and grey has none.
void CheckScreen(const Place& at, const Screen& screen, Faults* faults) {
  if (screen.from_case() != Screen::kColor) return;
  const Color& c = screen.color();
  const Place here = at.Field("screen.color");
  auto grey = [](double r, double g, double b) { return r == g && g == b; };
  if (c.has_r() && c.has_g() && c.has_b() && grey(c.r(), c.g(), c.b())) {
    faults->Add(here.path,
                absl::StrCat(here.words, ": ", c.r(), ", ", c.g(), ", ", c.b(), " is grey, a screen needs a hue"));
  }
  for (const auto& k : c.at()) {
    if (!grey(k.r(), k.g(), k.b())) continue;
    faults->Add(here.path, absl::StrCat(here.words, " at frame ", k.frame(), ": ", k.r(), ", ", k.g(), ", ", k.b(),
                                        " is grey, a screen needs a hue"));
    return;
  }
}

// Triangulation needs the screen's light, not only its hue. A box is measured in
// the step's own input, where the other screen is not to be seen.
void CheckFullScreen(const Place& at, const char* field, const Screen& screen, bool own, Faults* faults) {
  const bool box = screen.from_case() == Screen::kSample;
  if (screen.from_case() == Screen::kColor || screen.from_case() == Screen::kCleanPlate || (box && own)) return;
  const Place here = at.Field(field);
  const char* what = box ? "a box is measured in the step's own input" : "a hue alone is not enough";
  faults->Add(here.path, absl::StrCat(here.words, ": ", what, ", give ",
                                      own ? "one of color, sample or plate" : "color or plate"));
}

void CheckCurve(const Place& at, const Curve& curve, Faults* faults) {
  if (curve.point_size() < 2) {
    faults->Add(at.path, absl::StrCat(at.words, " point: a curve of ", curve.point_size(),
                                      curve.point_size() == 1 ? " point" : " points", ", needs at least 2"));
    return;
  }
  for (int i = 1; i < curve.point_size(); ++i) {
    if (curve.point(i).x() > curve.point(i - 1).x()) continue;
    const Place here = at.Item("point", i);
    faults->Add(absl::StrCat(here.path, ".x"), absl::StrCat(here.words, " x: ", curve.point(i).x(), " comes after ",
                                                            curve.point(i - 1).x(), ", x must ascend"));
    return;
  }
}

}  // namespace

void CheckMeaning(const Place& at, const Step& step, Faults* faults) {
  switch (step.op_case()) {
    case Step::kLevels: {
      const Levels& p = step.levels();
      const auto* d = Levels::descriptor();
      CheckOrder(at, {{"black", p.black(), DefaultOf(d, "black")}, {"white", p.white(), DefaultOf(d, "white")}}, false,
                 faults);
      break;
    }
    case Step::kChromaRange: {
      const ChromaRange& p = step.chroma_range();
      const auto* d = ChromaRange::descriptor();
      CheckScreen(at, p.screen(), faults);
      CheckOrder(at, {{"inner", p.inner(), DefaultOf(d, "inner")}, {"outer", p.outer(), DefaultOf(d, "outer")}}, true,
                 faults);
      break;
    }
    case Step::kLumaRange: {
      const LumaRange& p = step.luma_range();
      const auto* d = LumaRange::descriptor();
      CheckOrder(at,
                 {{"low", p.low(), DefaultOf(d, "low")},
                  {"low_full", p.low_full(), DefaultOf(d, "low_full")},
                  {"high_full", p.high_full(), DefaultOf(d, "high_full")},
                  {"high", p.high(), DefaultOf(d, "high")}},
                 false, faults);
      break;
    }
    case Step::kColorDifference:
      CheckScreen(at, step.color_difference().screen(), faults);
      break;
    case Step::kDespill:
      CheckScreen(at, step.despill().screen(), faults);
      if (step.despill().restore() == Despill::BACKGROUND && step.despill().background().empty()) {
        faults->Add(absl::StrCat(at.path, ".restore"),
                    absl::StrCat(at.words, " restore: BACKGROUND needs the name of a picture in `background`"));
      }
      if (step.despill().restore() == Despill::OWN && step.despill().own_color().empty()) {
        faults->Add(absl::StrCat(at.path, ".restore"),
                    absl::StrCat(at.words, " restore: OWN needs the name of a picture in `own_color`"));
      }
      break;
    case Step::kFillColor:
      if (step.fill_color().from_case() == FillColor::FROM_NOT_SET) {
        faults->Add(at.path, absl::StrCat(at.words, ": says no colour, give one of color, sample or core"));
      }
      break;
    case Step::kHairContrast: {
      const HairContrast& p = step.hair_contrast();
      const auto* d = HairContrast::descriptor();
      CheckOrder(at, {{"black", p.black(), DefaultOf(d, "black")}, {"white", p.white(), DefaultOf(d, "white")}}, false,
                 faults);
      break;
    }
    case Step::kPlateDifference: {
      const PlateDifference& p = step.plate_difference();
      const auto* d = PlateDifference::descriptor();
      CheckOrder(at, {{"low", p.low(), DefaultOf(d, "low")}, {"high", p.high(), DefaultOf(d, "high")}}, false, faults);
      if (p.noise_from_case() == PlateDifference::NOISE_FROM_NOT_SET) {
        faults->Add(at.path, absl::StrCat(at.words, ": says nothing of the noise, give one of sample or profile"));
      }
      break;
    }
    case Step::kScreenLevel:
      if (step.screen_level().to_case() == ScreenLevel::TO_NOT_SET) {
        faults->Add(at.path, absl::StrCat(at.words, ": says no colour, give one of color or sample"));
      }
      break;
    case Step::kTriangulate:
      CheckFullScreen(at, "screen", step.triangulate().screen(), true, faults);
      CheckFullScreen(at, "with_screen", step.triangulate().with_screen(), false, faults);
      break;
    case Step::kCrop: {
      const Crop& p = step.crop();
      const auto* d = Crop::descriptor();
      CheckOrder(at, {{"left", p.left(), DefaultOf(d, "left")}, {"right", p.right(), DefaultOf(d, "right")}}, false,
                 faults);
      CheckOrder(at, {{"top", p.top(), DefaultOf(d, "top")}, {"bottom", p.bottom(), DefaultOf(d, "bottom")}}, false,
                 faults);
      break;
    }
    case Step::kCurve:
      CheckCurve(at, step.curve(), faults);
      break;
    default:
      break;
  }
}

}  // namespace selvage::plan
