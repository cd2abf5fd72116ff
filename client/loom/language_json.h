// What the fields of a stack take, for a page that shows a control for each.
#pragma once

#include <string>

namespace selvage::client {

// README.md, "GET /api/language".
std::string LanguageJson();

}  // namespace selvage::client
