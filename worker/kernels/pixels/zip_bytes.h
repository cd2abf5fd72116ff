// What OpenEXR does to the bytes of a block before it deflates them, and what undoes it
// after they are inflated (OpenEXR file layout, ZIP compression): first every other byte
// from the first on, then the others, each less the one before it and 128 more.
#pragma once

#include <cstddef>
#include <cstdint>

namespace selvage::worker {

// Both: `size` is even, `in` and `out` do not overlap; all bytes wrap.
void ZipSplit(const uint8_t* in, size_t size, uint8_t* out);
// The bytes of `in` change, too.
void ZipJoin(uint8_t* in, size_t size, uint8_t* out);

}  // namespace selvage::worker
