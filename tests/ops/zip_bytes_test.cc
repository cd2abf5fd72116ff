#include "worker/kernels/pixels/zip_bytes.h"

#include <gtest/gtest.h>

#include <random>
#include <vector>

#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

std::vector<uint8_t> Noise(size_t size) {
  std::mt19937 random(static_cast<uint32_t>(size));
  std::vector<uint8_t> bytes(size);
  for (uint8_t& b : bytes) b = static_cast<uint8_t>(random() >> 9);
  return bytes;
}

// As the file layout has it, one byte after another.
std::vector<uint8_t> Definition(const std::vector<uint8_t>& in) {
  std::vector<uint8_t> out;
  for (size_t from : {0, 1}) {
    for (size_t i = from; i < in.size(); i += 2) out.push_back(in[i]);
  }
  for (size_t i = out.size(); i-- > 1;) out[i] = static_cast<uint8_t>(out[i] - out[i - 1] + 128);
  return out;
}

TEST(ZipBytes, SplitIsTheDefinitionAndJoinUndoesIt) {
  ForEverySimdTarget([] {
    for (size_t size : {0, 2, 4, 14, 16, 18, 30, 32, 34, 62, 64, 126, 254, 1000, 4098, 61440}) {
      const std::vector<uint8_t> in = Noise(size);
      std::vector<uint8_t> split(size), back(size);
      ZipSplit(in.data(), size, split.data());
      ASSERT_EQ(split, Definition(in)) << size;
      ZipJoin(split.data(), size, back.data());
      ASSERT_EQ(back, in) << size;
    }
  });
}

}  // namespace
}  // namespace selvage::worker
