// Sample buffers that are used again. The first touch of a fresh page costs ten
// times a plain write, and a chain asks for the same few sizes all day.
#pragma once

#include <cstddef>
#include <memory>

namespace selvage {

// 64-byte aligned, not initialised; goes back to the pool with its last owner.
// Any thread. At most kPooledBytes lie idle, the rest is freed.
std::shared_ptr<float[]> NewBuffer(size_t floats);

inline constexpr size_t kPooledBytes = size_t{192} << 20;

// Bytes that lie idle now.
size_t PooledBytes();

}  // namespace selvage
