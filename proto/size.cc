#include "proto/size.h"

#include <cctype>
#include <cmath>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"

namespace selvage {

absl::StatusOr<uint64_t> ParseSize(const std::string& text) {
  std::string number = text;
  double unit = 1;
  if (!number.empty() && std::isalpha(static_cast<unsigned char>(number.back()))) {
    const std::string letters = "KMGT";
    const size_t power = letters.find(static_cast<char>(std::toupper(static_cast<unsigned char>(number.back()))));
    unit = power == std::string::npos ? 0 : std::pow(1024.0, static_cast<double>(power + 1));
    number.pop_back();
  }
  double value = 0;
  if (unit == 0 || !absl::SimpleAtod(number, &value) || !(value > 0) || value * unit > 1e18) {
    return absl::InvalidArgumentError(absl::StrCat("\"", text, "\" is not a size, as in 20G or 512M"));
  }
  return static_cast<uint64_t>(value * unit);
}

}  // namespace selvage
