// The manual as pages for a browser.
#pragma once

#include <functional>
#include <string>
#include <utility>
#include <vector>

namespace selvage::client {

// All pages: file name and content, index.html first. They name each other and one style
// sheet, which is among them, and nothing else. `has_picture`: whether the folder holds a file,
// as in "pictures/levels-after.png" (and -before): a page shows the pictures that are there.
std::vector<std::pair<std::string, std::string>> ManualPages(
    const std::function<bool(const std::string&)>& has_picture);

// Whether a file of this content is one of ours, of this version or another.
bool IsManualPage(const std::string& content);

}  // namespace selvage::client
