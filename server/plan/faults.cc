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

std::string KindsInWords(const google::protobuf::RepeatedField<int>& takes) {
  const bool straight = Has(takes, STRAIGHT), premultiplied = Has(takes, PREMULTIPLIED);
  std::string color = straight && premultiplied ? "colour"
                      : straight                ? "straight colour"
                      : premultiplied           ? "premultiplied colour"
                      : Has(takes, OPAQUE)      ? "opaque colour"
                                                : "";
  if (!Has(takes, MATTE)) return color;
  return color.empty() ? "a matte" : absl::StrCat("a matte or ", color);
}

std::string KindAdvice(const google::protobuf::RepeatedField<int>& takes, Kind given) {
  if (given == STRAIGHT && Has(takes, PREMULTIPLIED)) return "add `premultiply`";
  if (given == PREMULTIPLIED && Has(takes, STRAIGHT)) return "add `unpremultiply`";
  if (given == MATTE) return "a matte has no colour: start from a picture and put the matte in with `attach_matte`";
  if (Has(takes, MATTE)) return "make a matte of it with a key, such as `color_difference`";
  return "use a plate or pass without alpha";
}

std::string KindMisfit(const google::protobuf::RepeatedField<int>& takes, Kind given) {
  return absl::StrCat("is ", given == MATTE ? "a " : "", KindName(given), ", needs ", KindsInWords(takes), "; ",
                      KindAdvice(takes, given));
}

}  // namespace selvage::plan
