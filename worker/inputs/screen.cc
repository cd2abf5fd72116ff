#include "worker/inputs/screen.h"

#include "absl/strings/str_cat.h"

namespace selvage::worker {

int ScreenColor::Channel() const {
  if (rgb[1] >= rgb[0] && rgb[1] >= rgb[2]) return 1;
  return rgb[2] >= rgb[0] ? 2 : 0;
}

absl::StatusOr<ScreenColor> ResolveScreen(const Screen& screen, const Inputs& in, const std::string& field) {
  ScreenColor result;
  switch (screen.from_case()) {
    case Screen::FROM_NOT_SET:
      break;
    case Screen::kHue:
      result.rgb[1] = screen.hue() == Screen::BLUE ? 0 : 1;
      result.rgb[2] = screen.hue() == Screen::BLUE ? 1 : 0;
      break;
    case Screen::kColor:
      result.rgb[0] = static_cast<float>(screen.color().r());
      result.rgb[1] = static_cast<float>(screen.color().g());
      result.rgb[2] = static_cast<float>(screen.color().b());
      break;
    case Screen::kSample: {
      const Input* measured = in.Find(field + ".sample");
      if (!measured || measured->numbers.size() < 3) return absl::InternalError(field + ".sample was not measured");
      for (int c = 0; c < 3; ++c) result.rgb[c] = measured->numbers[c];
      break;
    }
    case Screen::kCleanPlate: {
      const Input* plate = in.Find(field + ".clean_plate");
      if (!plate || plate->picture.planes.size() < 3)
        return absl::InternalError(field + ".clean_plate is not connected");
      result.plate = &plate->picture;
      break;
    }
  }
  return result;
}

absl::Status NoHueError(const ScreenColor& screen) {
  return absl::InvalidArgumentError(absl::StrCat("the screen colour (", screen.rgb[0], ", ", screen.rgb[1], ", ",
                                                 screen.rgb[2], ") has no hue to key against"));
}

}  // namespace selvage::worker
