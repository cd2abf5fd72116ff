// Sample buffers that are used again. The first touch of a fresh page costs ten
// times a plain write, and a chain asks for the same few sizes all day.
#pragma once

#include <cstddef>
#include <memory>
#include <vector>

namespace selvage::worker {

// 64-byte aligned, not initialised; goes back to the pool with its last owner.
// Any thread. At most kPooledBytes lie idle, the rest is freed.
std::shared_ptr<float[]> NewBuffer(size_t floats);
// The same without an owner: to be given back with the same size.
void* TakeBytes(size_t bytes);
void GiveBytes(void* p, size_t bytes);

inline constexpr size_t kPooledBytes = size_t{192} << 20;

// Bytes that lie idle now.
size_t PooledBytes();

// Vectors whose memory comes from the pool and goes back to it: bitmaps of a picture
// would be mapped and unmapped each time.
template <class T>
struct PooledAllocator {
  using value_type = T;
  PooledAllocator() = default;
  template <class U>
  PooledAllocator(const PooledAllocator<U>&) {}
  T* allocate(size_t n) { return static_cast<T*>(TakeBytes(n * sizeof(T))); }
  void deallocate(T* p, size_t n) { GiveBytes(p, n * sizeof(T)); }
  bool operator==(const PooledAllocator&) const = default;
};
template <class T>
using PooledVector = std::vector<T, PooledAllocator<T>>;

}  // namespace selvage::worker
