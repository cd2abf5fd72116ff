#include "worker/kernels/pixels/dct.h"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/dct.cc"
#include "hwy/foreach_target.h"
#include "hwy/highway.h"
#include "worker/kernels/pixels/dct-inl.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::patches {
namespace HWY_NAMESPACE {

void ForwardBlock(const float* samples, ptrdiff_t stride, float* coefficients) {
  Block m;
  LoadBlock(samples, stride, m);
  Dct(m);
  Transpose(m);
  StoreBlock(m, coefficients);
  for (int k = 0; k < 64; k += 8) Store8(Load8(coefficients + k) * All(1.0f / 8), coefficients + k);
}

void InverseBlock(const float* coefficients, float* samples) {
  Block m;
  LoadBlock(coefficients, 8, m);
  Transpose(m);
  InverseDct(m);
  StoreBlock(m, samples);
  for (int k = 0; k < 64; k += 8) Store8(Load8(samples + k) * All(1.0f / 8), samples + k);
}

}  // namespace HWY_NAMESPACE
}  // namespace selvage::worker::patches
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {
namespace patches {
HWY_EXPORT(ForwardBlock);
HWY_EXPORT(InverseBlock);
void Forward(const float* samples, ptrdiff_t stride, float* coefficients) {
  HWY_DYNAMIC_DISPATCH(ForwardBlock)(samples, stride, coefficients);
}
void Inverse(const float* coefficients, float* samples) { HWY_DYNAMIC_DISPATCH(InverseBlock)(coefficients, samples); }
}  // namespace patches

void Dct8x8(const float* samples, ptrdiff_t stride, float* coefficients) {
  patches::Forward(samples, stride, coefficients);
}
void InverseDct8x8(const float* coefficients, float* samples) { patches::Inverse(coefficients, samples); }

}  // namespace selvage::worker
#endif
