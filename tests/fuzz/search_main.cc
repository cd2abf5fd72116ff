// What libFuzzer calls, in a program with one target.
#include <cstddef>
#include <cstdint>

#include "tests/fuzz/target.h"

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size) {
  // A copy as long as the input, so that reading one byte too many is seen.
  const std::string text(reinterpret_cast<const char*>(data), size);
  selvage::fuzz::Targets().front().run(text);
  return 0;
}
