// Text in lines.
#pragma once

#include <cstddef>
#include <string>

namespace selvage::client {

// Breaks at spaces, so that no line is longer where a word doesn't make it so.
// Line ends of the text stay, and a line's indent holds for what is broken off it.
std::string Wrap(const std::string& text, size_t width);

}  // namespace selvage::client
