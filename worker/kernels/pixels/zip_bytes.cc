#include "worker/kernels/pixels/zip_bytes.h"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/zip_bytes.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

void Split(const uint8_t* HWY_RESTRICT in, size_t size, uint8_t* HWY_RESTRICT out) {
  const size_t half = size / 2;
  if (half == 0) return;
  uint8_t* HWY_RESTRICT odd = out + half;
  out[0] = in[0];
  odd[0] = static_cast<uint8_t>(in[1] - in[size - 2] + 128);
  for (size_t i = 1; i < half; ++i) out[i] = static_cast<uint8_t>(in[2 * i] - in[2 * i - 2] + 128);
  for (size_t i = 1; i < half; ++i) odd[i] = static_cast<uint8_t>(in[2 * i + 1] - in[2 * i - 1] + 128);
}

// Running sums: within sixteen bytes by doubling, then on from the sum so far.
void Sums(uint8_t* bytes, size_t size) {
  size_t i = 0;
  // The first byte stands for itself.
  uint8_t sum = 128;
#if HWY_TARGET != HWY_SCALAR
  const hn::FixedTag<uint8_t, 16> d;
  const auto bias = hn::Set(d, 128), last = hn::Set(d, 15);
  auto carry = bias;
  for (; i + 16 <= size; i += 16) {
    auto v = hn::Sub(hn::LoadU(d, bytes + i), bias);
    v = hn::Add(v, hn::ShiftLeftBytes<1>(v));
    v = hn::Add(v, hn::ShiftLeftBytes<2>(v));
    v = hn::Add(v, hn::ShiftLeftBytes<4>(v));
    v = hn::Add(v, hn::ShiftLeftBytes<8>(v));
    v = hn::Add(v, carry);
    hn::StoreU(v, d, bytes + i);
    carry = hn::TableLookupBytes(v, last);
  }
  if (i > 0) sum = bytes[i - 1];
#endif
  for (; i < size; ++i) bytes[i] = sum = static_cast<uint8_t>(sum + bytes[i] - 128);
}

void Join(uint8_t* HWY_RESTRICT in, size_t size, uint8_t* HWY_RESTRICT out) {
  Sums(in, size);
  const size_t half = size / 2;
  const uint8_t* HWY_RESTRICT odd = in + half;
  for (size_t i = 0; i < half; ++i) {
    out[2 * i] = in[i];
    out[2 * i + 1] = odd[i];
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(Split);
HWY_EXPORT(Join);
void ZipSplit(const uint8_t* in, size_t size, uint8_t* out) { HWY_DYNAMIC_DISPATCH(Split)(in, size, out); }
void ZipJoin(uint8_t* in, size_t size, uint8_t* out) { HWY_DYNAMIC_DISPATCH(Join)(in, size, out); }

}  // namespace selvage::worker
#endif  // HWY_ONCE
