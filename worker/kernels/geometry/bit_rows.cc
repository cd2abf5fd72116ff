#include "worker/kernels/geometry/bit_rows.h"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/geometry/bit_rows.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

void Below(const float* value, float limit, size_t n, uint8_t* __restrict bit) {
  for (size_t i = 0; i < n; ++i) bit[i] = value[i] < limit;
}

void AddBits(const uint8_t* from, size_t n, uint8_t* __restrict to) {
  for (size_t i = 0; i < n; ++i) to[i] |= from[i];
}

void KeepBits(const uint8_t* from, size_t n, uint8_t* __restrict to) {
  for (size_t i = 0; i < n; ++i) to[i] &= from[i];
}

uint32_t Count(const uint8_t* bits, size_t n) {
  uint32_t count = 0;
  for (size_t i = 0; i < n; ++i) count += bits[i];
  return count;
}

void Within(const float* value, float low, float high, size_t n, uint8_t* __restrict bit) {
  for (size_t i = 0; i < n; ++i) bit[i] = (value[i] > low) & (value[i] < high);
}

void Above(const float* value, float limit, size_t n, uint8_t* __restrict bit) {
  for (size_t i = 0; i < n; ++i) bit[i] = value[i] > limit;
}

void Reached(const float* value, float limit, size_t n, uint8_t* __restrict bit) {
  for (size_t i = 0; i < n; ++i) bit[i] = value[i] >= limit;
}

void Neither(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* __restrict to) {
  for (size_t i = 0; i < n; ++i) to[i] = 1 ^ (a[i] | b[i]);
}

void Take(const uint8_t* bits, const float* from, size_t n, float* __restrict to) {
  for (size_t i = 0; i < n; ++i) {
    const float is = from[i], was = to[i];
    to[i] = bits[i] ? is : was;
  }
}

void Keep(const uint8_t* bits, size_t n, float* __restrict values) {
  for (size_t i = 0; i < n; ++i) {
    const float was = values[i];
    values[i] = bits[i] ? was : 0.0f;
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(Below);
HWY_EXPORT(AddBits);
HWY_EXPORT(KeepBits);
HWY_EXPORT(Count);
HWY_EXPORT(Within);
HWY_EXPORT(Above);
HWY_EXPORT(Reached);
HWY_EXPORT(Neither);
HWY_EXPORT(Take);
HWY_EXPORT(Keep);

void BelowRow(const float* value, float limit, size_t n, uint8_t* bit) {
  HWY_DYNAMIC_DISPATCH(Below)(value, limit, n, bit);
}
void AddBitsRow(const uint8_t* from, size_t n, uint8_t* to) { HWY_DYNAMIC_DISPATCH(AddBits)(from, n, to); }
void KeepBitsRow(const uint8_t* from, size_t n, uint8_t* to) { HWY_DYNAMIC_DISPATCH(KeepBits)(from, n, to); }
uint32_t CountRow(const uint8_t* bits, size_t n) { return HWY_DYNAMIC_DISPATCH(Count)(bits, n); }
void WithinRow(const float* value, float low, float high, size_t n, uint8_t* bit) {
  HWY_DYNAMIC_DISPATCH(Within)(value, low, high, n, bit);
}
void AboveRow(const float* value, float limit, size_t n, uint8_t* bit) {
  HWY_DYNAMIC_DISPATCH(Above)(value, limit, n, bit);
}
void ReachedRow(const float* value, float limit, size_t n, uint8_t* bit) {
  HWY_DYNAMIC_DISPATCH(Reached)(value, limit, n, bit);
}
void NeitherRow(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* to) {
  HWY_DYNAMIC_DISPATCH(Neither)(a, b, n, to);
}
void TakeRow(const uint8_t* bits, const float* from, size_t n, float* to) {
  HWY_DYNAMIC_DISPATCH(Take)(bits, from, n, to);
}
void KeepRow(const uint8_t* bits, size_t n, float* values) { HWY_DYNAMIC_DISPATCH(Keep)(bits, n, values); }

}  // namespace selvage::worker
#endif  // HWY_ONCE
