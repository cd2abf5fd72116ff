// The manual: the language of stacks and its operators. Traits say ranges and
// defaults, the comments in proto/ say the rest.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"

namespace selvage::client {

// A line an operator, by family: `selvage steps`.
std::string OperatorIndex();
// The same with the words of the language before it: `selvage manual`.
std::string ManualIndex();

// The page of a word of the language, of an operator, or of a field wherever there
// is one of that name. Errors: NOT_FOUND with the closest name.
absl::StatusOr<std::string> ManualPage(const std::string& word);
// Only of an operator. Errors: as above.
absl::StatusOr<std::string> OperatorPage(const std::string& name);

// As JSON, in the order of the index; all of it, or one word or operator.
// Errors: NOT_FOUND.
absl::StatusOr<std::string> ManualJson(const std::string& word);
absl::StatusOr<std::string> OperatorsJson(const std::string& name);

// All names that have a page by themselves, for tests and for suggestions.
std::vector<std::string> ManualWords();
// Every example of the manual as a stack that is right: name and text.
std::vector<std::pair<std::string, std::string>> ManualExamples();

}  // namespace selvage::client
