// Sizes that a stack is worked at, in words: "half size" for Stack.proxy 2.
#pragma once

#include <cstdint>
#include <string>

namespace selvage {

inline std::string SizeInWords(uint32_t proxy) {
  switch (proxy) {
    case 2:
      return "half size";
    case 4:
      return "quarter size";
    case 8:
      return "eighth size";
    default:
      return "full size";
  }
}

}  // namespace selvage
