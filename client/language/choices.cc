#include "client/language/choices.h"

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

using google::protobuf::EnumDescriptor;
using google::protobuf::EnumValueDescriptor;

// "ENCODING_"; empty where the names share no whole word.
size_t SharedPrefix(const EnumDescriptor* type) {
  if (type->value_count() < 2) return 0;
  const std::string& first = type->value(0)->name();
  size_t shared = first.size();
  for (int i = 1; i < type->value_count(); ++i) {
    const std::string& name = type->value(i)->name();
    size_t same = 0;
    while (same < shared && same < name.size() && name[same] == first[same]) ++same;
    shared = same;
  }
  const size_t end = first.substr(0, shared).rfind('_');
  return end == std::string::npos ? 0 : end + 1;
}

}  // namespace

std::vector<std::string> ChoicesOf(const EnumDescriptor* type) {
  std::vector<std::string> names;
  const size_t prefix = SharedPrefix(type);
  for (int i = 0; i < type->value_count(); ++i) names.push_back(type->value(i)->name().substr(prefix));
  return names;
}

const EnumValueDescriptor* FindChoice(const EnumDescriptor* type, absl::string_view text) {
  const size_t prefix = SharedPrefix(type);
  for (int i = 0; i < type->value_count(); ++i) {
    const absl::string_view name = type->value(i)->name();
    if (absl::EqualsIgnoreCase(text, name) || absl::EqualsIgnoreCase(text, name.substr(prefix))) return type->value(i);
  }
  return nullptr;
}

std::string ChoiceHelp(const EnumDescriptor* type, absl::string_view text) {
  const std::vector<std::string> names = ChoicesOf(type);
  const std::string closest = ClosestName(absl::AsciiStrToUpper(text), names);
  return absl::StrCat(closest.empty() ? "" : absl::StrCat("; did you mean ", closest, "?"),
                      closest.empty() ? "; " : " ", "allowed: ", absl::StrJoin(names, ", "));
}

}  // namespace selvage::client
