// IEEE 754 binary16, the precision of storage. Round to nearest, ties to even;
// the same bits on every CPU.
#pragma once

#include <bit>
#include <cstddef>
#include <cstdint>

namespace selvage::worker {

inline constexpr float kHalfMax = 65504.0f;
inline constexpr uint16_t kHalfNaN = 0x7E00;

// NaN gives the canonical quiet NaN 0x7FC00000, whatever its payload and sign.
void HalfToFloat(const uint16_t* in, float* out, size_t n);

// From 65520 on: infinity. NaN gives kHalfNaN.
void FloatToHalf(const float* in, uint16_t* out, size_t n);

// What a result's samples become when stored, so that no NaN or infinity ever
// leaves a task: NaN -> 0, beyond +-65504 (infinity too) -> +-65504, -0 -> +0
// (equal pictures have equal digests), all else as FloatToHalf.
void FloatToStored(const float* in, uint16_t* out, size_t n);

// The same of samples that are halves already.
void HalfToStored(const uint16_t* in, uint16_t* out, size_t n);

// FloatToHalf and back, in place.
void RoundToHalf(float* samples, size_t n);

// One value; the integer arithmetic that the fast versions are tested against.
inline float HalfToFloat(uint16_t h) {
  const uint32_t sign = static_cast<uint32_t>(h & 0x8000) << 16;
  const uint32_t magnitude = static_cast<uint32_t>(h & 0x7FFF) << 13;
  if ((h & 0x7FFF) > 0x7C00) return std::bit_cast<float>(0x7FC00000u);
  if ((h & 0x7FFF) == 0x7C00) return std::bit_cast<float>(sign | 0x7F800000u);
  if (magnitude >= 0x00800000u) return std::bit_cast<float>(sign | (magnitude + (112u << 23)));
  // Subnormal: put the ten bits below 2^-14 and take 2^-14 away; exact.
  const float value = std::bit_cast<float>(magnitude + (113u << 23)) - std::bit_cast<float>(113u << 23);
  return std::bit_cast<float>(sign | std::bit_cast<uint32_t>(value));
}

inline uint16_t FloatToHalf(float f) {
  const uint32_t bits = std::bit_cast<uint32_t>(f);
  const uint32_t sign = (bits >> 16) & 0x8000;
  const uint32_t magnitude = bits & 0x7FFFFFFF;
  if (magnitude > 0x7F800000u) return kHalfNaN;
  // 65520 = halfway to the number after 65504.
  if (magnitude >= 0x477FF000u) return static_cast<uint16_t>(sign | 0x7C00);
  if (magnitude < (113u << 23)) {
    // Result subnormal: adding 0.5 leaves 2^-24 as the lowest bit of the
    // mantissa, and the addition itself rounds to nearest even.
    const float shifted = std::bit_cast<float>(magnitude) + 0.5f;
    return static_cast<uint16_t>(sign | (std::bit_cast<uint32_t>(shifted) - 0x3F000000u));
  }
  const uint32_t odd = (magnitude >> 13) & 1;
  return static_cast<uint16_t>(sign | ((magnitude - (112u << 23) + 0xFFF + odd) >> 13));
}

}  // namespace selvage::worker
