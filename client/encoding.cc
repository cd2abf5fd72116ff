#include "client/encoding.h"

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "client/exit_code.h"
#include "client/language/choices.h"

namespace selvage::client {

std::string EncodingName(Encoding encoding) {
  constexpr size_t kPrefix = sizeof("ENCODING_") - 1;
  const std::string& name = Encoding_Name(encoding);
  return name.size() > kPrefix ? absl::AsciiStrToLower(name.substr(kPrefix)) : "unknown";
}

absl::StatusOr<Encoding> ParseEncoding(const std::string& text) {
  if (const auto* choice = FindChoice(Encoding_descriptor(), text)) return static_cast<Encoding>(choice->number());
  return UsageError(
      absl::StrCat("--encoding cannot be ", text, absl::AsciiStrToLower(ChoiceHelp(Encoding_descriptor(), text))));
}

}  // namespace selvage::client
