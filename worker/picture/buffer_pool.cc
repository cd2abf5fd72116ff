#include "worker/picture/buffer_pool.h"

#include <sys/mman.h>

#include <bit>
#include <new>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "proto/mutex.h"

namespace selvage::worker {
namespace {

constexpr std::align_val_t kAlign{64};
constexpr size_t kHugePage = size_t{2} << 20;

// A sanitizer sees use after free only where memory really is freed.
#if defined(__SANITIZE_ADDRESS__)
constexpr bool kPooling = false;
#else
constexpr bool kPooling = true;
#endif

// Four sizes an octave, so at most a fifth of a buffer is wasted. Small buffers
// are the allocator's affair.
constexpr size_t kSmallest = size_t{16} << 10;

size_t RoundedSize(size_t bytes) {
  const size_t step = std::bit_floor(bytes) / 4;
  return (bytes + step - 1) / step * step;
}
size_t ClassOf(size_t rounded) {
  const size_t octave = std::bit_width(rounded) - 1;
  return octave * 4 + (rounded >> (octave - 2)) % 4;
}

class Pool {
 public:
  void* Take(size_t rounded) {
    MutexLock lock(&mutex_);
    auto& idle = idle_[ClassOf(rounded)];
    if (idle.empty()) return nullptr;
    void* p = idle.back();
    idle.pop_back();
    bytes_ -= rounded;
    return p;
  }
  // False if the pool is full.
  bool Give(void* p, size_t rounded) {
    MutexLock lock(&mutex_);
    if (bytes_ + rounded > kPooledBytes) return false;
    idle_[ClassOf(rounded)].push_back(p);
    bytes_ += rounded;
    return true;
  }
  size_t bytes() {
    MutexLock lock(&mutex_);
    return bytes_;
  }

 private:
  Mutex mutex_;
  // Last in, first out: that one may still be in the CPU's cache.
  std::vector<void*> idle_[4 * 64] ABSL_GUARDED_BY(mutex_);
  size_t bytes_ ABSL_GUARDED_BY(mutex_) = 0;
};

// Never destroyed: planes in static objects may outlive it otherwise.
Pool& ThePool() {
  static Pool* pool = new Pool;
  return *pool;
}

void* Allocate(size_t bytes) {
  if (bytes < kHugePage) return ::operator new(bytes, kAlign);
  void* p = ::operator new (bytes, std::align_val_t{kHugePage});
  // A wish; without it the pages are just smaller.
  (void)madvise(p, bytes, MADV_HUGEPAGE);
  return p;
}
void Free(void* p, size_t bytes) { ::operator delete (p, bytes < kHugePage ? kAlign : std::align_val_t{kHugePage}); }

}  // namespace

void* TakeBytes(size_t bytes) {
  if (!kPooling || bytes < kSmallest) return ::operator new(bytes, kAlign);
  const size_t rounded = RoundedSize(bytes);
  void* p = ThePool().Take(rounded);
  return p ? p : Allocate(rounded);
}

void GiveBytes(void* p, size_t bytes) {
  if (!kPooling || bytes < kSmallest) return ::operator delete(p, kAlign);
  const size_t rounded = RoundedSize(bytes);
  if (!ThePool().Give(p, rounded)) Free(p, rounded);
}

std::shared_ptr<float[]> NewBuffer(size_t floats) {
  const size_t bytes = floats * sizeof(float);
  return {static_cast<float*>(TakeBytes(bytes)), [bytes](float* p) { GiveBytes(p, bytes); }};
}

size_t PooledBytes() { return ThePool().bytes(); }

}  // namespace selvage::worker
