// Small things that messages are made of.
#pragma once

#include <cstdint>
#include <string>

namespace selvage::plan {

// "6,400,000".
std::string Grouped(int64_t number);

}  // namespace selvage::plan
