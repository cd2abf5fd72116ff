#include "worker/files/exr_zip.h"

#include <libdeflate.h>

#include <algorithm>
#include <cstring>
#include <new>

#include "worker/kernels/pixels/zip_bytes.h"

namespace selvage::worker {
namespace {

// What follows is part of the bytes of delivered files: to change it is another `revision`
// of deliver_file. tests/bench/README.md has the figures that the level was chosen by.
constexpr int kLevel = 1;
// Grain fills the low bytes of halves with noise, on which deflate spends two thirds of its
// time for nothing. It is looked for in so many bytes from the middle of them, and taken for
// noise if it doesn't shrink to this share.
constexpr size_t kSample = 16384;
constexpr double kNoiseShare = 0.93;
// A run is one byte, and matches of the greatest length that deflate has.
constexpr size_t kMatch = 258;
constexpr size_t kLeastRun = 1 + kMatch;
constexpr size_t kMostStored = 65535;

template <class T>
T* Allocated(T* p) {
  if (p == nullptr) throw std::bad_alloc();
  return p;
}

size_t RunAt(const uint8_t* bytes, size_t size) {
  // Eight at a time against those one further on.
  size_t n = 1;
  for (; n + 8 <= size; n += 8) {
    if (std::memcmp(bytes + n, bytes + n - 1, 8) != 0) break;
  }
  while (n < size && bytes[n] == bytes[0]) ++n;
  return n;
}

// Calls use(begin, length) for the runs that are long enough.
template <class Use>
void EachRun(const uint8_t* bytes, size_t size, const Use& use) {
  // A long run has a byte at every place of this raster.
  for (size_t at = 0; at + kLeastRun <= size;) {
    const size_t probe = at + kLeastRun / 2;
    if (bytes[probe] != bytes[probe - 1] || bytes[probe] != bytes[probe + 1]) {
      at = probe + 1;
      continue;
    }
    size_t begin = probe;
    while (begin > at && bytes[begin - 1] == bytes[probe]) --begin;
    const size_t length = RunAt(bytes + begin, size - begin);
    if (length >= kLeastRun) use(begin, length);
    at = begin + length;
  }
}

// Blocks of deflate (RFC 1951, section 3.2) that are quickly made: bytes as they are, and runs.
class QuickBlocks {
 public:
  explicit QuickBlocks(std::vector<uint8_t>* to) : to_(to) {}

  void Store(const uint8_t* bytes, size_t size) {
    for (; size > kMostStored; bytes += kMostStored, size -= kMostStored) StorePart(bytes, kMostStored);
    if (size > 0) StorePart(bytes, size);
  }
  // A whole number of matches; what is left of the run is the caller's. Gives the bytes made.
  size_t Run(uint8_t byte, size_t length) {
    const size_t matches = (length - 1) / kMatch;
    Put(2, 3);  // not the last block, fixed codes
    if (byte < 144) {
      PutCode(0x30u + byte, 8);
    } else {
      PutCode(0x190u + (byte - 144u), 9);
    }
    for (size_t i = 0; i < matches; ++i) {
      PutCode(0xC5, 8);  // a match of 258 bytes ...
      PutCode(0, 5);     // ... from one byte before
    }
    PutCode(0, 7);  // the end of the block
    return 1 + matches * kMatch;
  }
  // Ends at a whole byte, where what follows must begin: an empty stored block fills the bits
  // that are left of the last one.
  void End() {
    if (bits_ > 0) StorePart(nullptr, 0);
  }

 private:
  void StorePart(const uint8_t* bytes, size_t size) {
    Put(0, 3);  // not the last block, stored
    Align();
    for (size_t v : {size, ~size}) {
      to_->push_back(static_cast<uint8_t>(v));
      to_->push_back(static_cast<uint8_t>(v >> 8));
    }
    to_->insert(to_->end(), bytes, bytes + size);
  }
  // The lowest bit first.
  void Put(uint32_t value, int count) {
    waiting_ |= value << bits_;
    for (bits_ += count; bits_ >= 8; bits_ -= 8, waiting_ >>= 8) to_->push_back(static_cast<uint8_t>(waiting_));
  }
  // The highest bit first.
  void PutCode(uint32_t code, int count) {
    while (count-- > 0) Put(code >> count & 1, 1);
  }
  void Align() {
    if (bits_ > 0) Put(0, 8 - bits_);
  }

  std::vector<uint8_t>* const to_;
  uint32_t waiting_ = 0;
  int bits_ = 0;
};

}  // namespace

ExrDeflater::ExrDeflater() : compressor_(Allocated(libdeflate_alloc_compressor(kLevel))) {}
ExrDeflater::~ExrDeflater() { libdeflate_free_compressor(compressor_); }

// Whether deflate could do nothing for bytes but for their runs.
bool ExrDeflater::IsNoise(const uint8_t* bytes, size_t size) {
  const size_t count = std::min(size, kSample);
  const uint8_t* sample = bytes + (size - count) / 2;
  size_t rest = count;
  EachRun(sample, count, [&](size_t, size_t length) { rest -= length; });
  if (rest < count / 8) return false;
  packed_.resize(std::max(packed_.size(), libdeflate_deflate_compress_bound(compressor_, kSample)));
  const size_t packed = libdeflate_deflate_compress(compressor_, sample, count, packed_.data(), packed_.size());
  return static_cast<double>(packed) > kNoiseShare * static_cast<double>(rest);
}

// A stream of zlib (RFC 1950): the low bytes by QuickBlocks, the high ones by libdeflate. The
// size, or 0 if that is more than `most`.
size_t ExrDeflater::PackNoisy(size_t size, size_t most) {
  const size_t half = size / 2;
  packed_.clear();
  packed_.insert(packed_.end(), {0x78, 0x01});
  QuickBlocks quick(&packed_);
  size_t from = 0;
  EachRun(split_.data(), half, [&](size_t begin, size_t length) {
    quick.Store(split_.data() + from, begin - from);
    from = begin + quick.Run(split_[begin], length);
  });
  quick.Store(split_.data() + from, half - from);
  quick.End();
  const size_t before = packed_.size();
  packed_.resize(before + libdeflate_deflate_compress_bound(compressor_, size - half) + 4);
  const size_t rest = libdeflate_deflate_compress(compressor_, split_.data() + half, size - half,
                                                  packed_.data() + before, packed_.size() - before - 4);
  const uint32_t sum = libdeflate_adler32(1, split_.data(), size);
  for (int i = 0; i < 4; ++i) packed_[before + rest + i] = static_cast<uint8_t>(sum >> (24 - 8 * i));
  return before + rest + 4 <= most ? before + rest + 4 : 0;
}

std::string_view ExrDeflater::Pack(const uint8_t* block, size_t size) {
  if (split_.size() < size) split_.resize(size);
  ZipSplit(block, size, split_.data());
  // A reader takes what is as long as the block for the block itself.
  const size_t most = size > 0 ? size - 1 : 0;
  size_t packed = 0;
  if (IsNoise(split_.data(), size / 2)) {
    packed = PackNoisy(size, most);
  } else {
    if (packed_.size() < size) packed_.resize(size);
    packed = libdeflate_zlib_compress(compressor_, split_.data(), size, packed_.data(), most);
  }
  if (packed == 0) return {reinterpret_cast<const char*>(block), size};
  return {reinterpret_cast<const char*>(packed_.data()), packed};
}

ExrInflater::ExrInflater() : decompressor_(Allocated(libdeflate_alloc_decompressor())) {}
ExrInflater::~ExrInflater() { libdeflate_free_decompressor(decompressor_); }

const uint8_t* ExrInflater::Unpack(std::string_view packed, size_t size) {
  if (packed.size() > size) return nullptr;
  if (split_.size() < size) {
    split_.resize(size);
    block_.resize(size);
  }
  // Copied, since samples may begin at any byte of a file.
  if (packed.size() == size) return std::copy_n(packed.data(), size, block_.data()), block_.data();
  // Checks the sum of the bytes, too; no length asked for: it must be all of `size`.
  if (libdeflate_zlib_decompress(decompressor_, packed.data(), packed.size(), split_.data(), size, nullptr) !=
      LIBDEFLATE_SUCCESS) {
    return nullptr;
  }
  ZipJoin(split_.data(), size, block_.data());
  return block_.data();
}

}  // namespace selvage::worker
