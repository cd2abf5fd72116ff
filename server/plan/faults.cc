#include "server/plan/faults.h"

#include <algorithm>

#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"

namespace selvage::plan {
namespace {

bool Has(const google::protobuf::RepeatedField<int>& takes, Kind kind) {
  return std::find(takes.begin(), takes.end(), kind) != takes.end();
}

}  // namespace

Place Place::Field(const std::string& field) const {
  return {path.empty() ? field : absl::StrCat(path, ".", field),
          words.empty() ? field : absl::StrCat(words, " ", field)};
}

Place Place::Item(const std::string& field, int index) const {
  return {absl::StrCat(path, ".", field, "[", index, "]"), absl::StrCat(words, " ", field, " ", index + 1)};
}

std::string Quoted(const std::string& text) {
  return absl::StrCat("\"", absl::CHexEscape(text.substr(0, 64)), text.size() > 64 ? "..." : "", "\"");
}

namespace {

// "straight colour"; "" where colour is not taken.
std::string ColorsInWords(const google::protobuf::RepeatedField<int>& takes) {
  const bool straight = Has(takes, STRAIGHT), premultiplied = Has(takes, PREMULTIPLIED);
  if (straight && premultiplied) return "colour";
  if (straight) return "straight colour";
  if (premultiplied) return "premultiplied colour";
  return Has(takes, OPAQUE) ? "opaque colour" : "";
}

std::string OrMatte(const google::protobuf::RepeatedField<int>& takes, const std::string& color) {
  if (!Has(takes, MATTE)) return color;
  return color.empty() ? "a matte" : absl::StrCat("a matte or ", color);
}

}  // namespace

std::string KindsInWords(const google::protobuf::RepeatedField<int>& takes) {
  return OrMatte(takes, ColorsInWords(takes));
}

std::string InputsInWords(const google::protobuf::RepeatedField<int>& takes) {
  const std::string color = ColorsInWords(takes);
  const std::string picture = color.empty() ? "" : color == "colour" ? "a picture" : "a picture with " + color;
  return OrMatte(takes, picture);
}

std::string KindAdvice(const google::protobuf::RepeatedField<int>& takes, Kind given) {
  if (given == STRAIGHT && Has(takes, PREMULTIPLIED)) return "add `premultiply`";
  if (given == PREMULTIPLIED && Has(takes, STRAIGHT)) return "add `unpremultiply`";
  if (given == MATTE)
    return "a matte has no colour: start from a picture and attach the matte to it with `attach_matte`";
  if (Has(takes, MATTE)) return "make a matte of it with a key such as `color_difference`";
  return "use a plate or pass without alpha";
}

std::string KindMisfit(const google::protobuf::RepeatedField<int>& takes, Kind given) {
  return absl::StrCat("is ", given == MATTE ? "a " : "", KindName(given), ", needs ", KindsInWords(takes), "; ",
                      KindAdvice(takes, given));
}

}  // namespace selvage::plan
