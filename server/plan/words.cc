#include "server/plan/words.h"

#include "absl/strings/str_cat.h"

namespace selvage::plan {

std::string Grouped(int64_t number) {
  std::string text = absl::StrCat(number);
  const size_t sign = number < 0 ? 1 : 0;
  for (size_t at = text.size(); at > sign + 3;) text.insert(at -= 3, ",");
  return text;
}

}  // namespace selvage::plan
