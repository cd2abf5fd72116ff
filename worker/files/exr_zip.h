// Blocks of scan lines as OpenEXR's ZIP and ZIPS pack them, deflated and inflated by
// libdeflate: it is several times as fast as the library's own zlib, and its bytes depend
// neither on the CPU nor on threads.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <string_view>
#include <vector>

struct libdeflate_compressor;
struct libdeflate_decompressor;

namespace selvage::worker {

class ExrDeflater {
 public:
  ExrDeflater();
  ~ExrDeflater();
  // What the file holds of a block of `size` bytes (an even number): deflated, or where
  // that would not be smaller the block itself. Good until the next call.
  std::string_view Pack(const uint8_t* block, size_t size);

 private:
  bool IsNoise(const uint8_t* bytes, size_t size);
  size_t PackNoisy(size_t size, size_t most);

  libdeflate_compressor* const compressor_;
  std::vector<uint8_t> split_, packed_;
};

class ExrInflater {
 public:
  ExrInflater();
  ~ExrInflater();
  // The block of `size` bytes (an even number) that `packed` holds, or nullptr if it
  // holds none of that size. Good until the next call.
  const uint8_t* Unpack(std::string_view packed, size_t size);

 private:
  libdeflate_decompressor* const decompressor_;
  std::vector<uint8_t> split_, block_;
};

}  // namespace selvage::worker
