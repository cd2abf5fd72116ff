// Small vectors, hashes and value noise for the scene.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>

namespace selvage::scene {

struct V3 {
  float x = 0, y = 0, z = 0;
};

inline V3 operator+(V3 a, V3 b) { return {a.x + b.x, a.y + b.y, a.z + b.z}; }
inline V3 operator-(V3 a, V3 b) { return {a.x - b.x, a.y - b.y, a.z - b.z}; }
inline V3 operator*(V3 a, V3 b) { return {a.x * b.x, a.y * b.y, a.z * b.z}; }
inline V3 operator*(V3 a, float s) { return {a.x * s, a.y * s, a.z * s}; }
inline V3& operator+=(V3& a, V3 b) { return a = a + b; }
inline float Dot(V3 a, V3 b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
inline float Length(V3 a) { return std::sqrt(Dot(a, a)); }
inline V3 Unit(V3 a) { return a * (1.0f / std::max(1e-9f, Length(a))); }
inline V3 Cross(V3 a, V3 b) { return {a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x}; }
inline V3 Mix(V3 a, V3 b, float u) { return a + (b - a) * u; }

inline float Mix(float a, float b, float u) { return a + (b - a) * u; }
inline float Clamp01(float x) { return std::min(1.0f, std::max(0.0f, x)); }
inline float Step01(float from, float to, float x) {
  float u = Clamp01((x - from) / (to - from));
  return u * u * (3 - 2 * u);
}
inline float Bell(float x) { return std::exp(-x * x); }

inline uint32_t Hash(uint32_t x) {
  x ^= x >> 16;
  x *= 0x7feb352dU;
  x ^= x >> 15;
  x *= 0x846ca68bU;
  return x ^ (x >> 16);
}
inline uint32_t Hash(uint32_t a, uint32_t b) { return Hash(a * 0x9e3779b1U ^ Hash(b)); }
inline uint32_t Hash(uint32_t a, uint32_t b, uint32_t c) { return Hash(Hash(a, b), c); }

// Uniform in [0, 1).
inline float Unit01(uint32_t hash) { return static_cast<float>(hash >> 8) * (1.0f / 16777216.0f); }
inline float Random(uint32_t a, uint32_t b) { return Unit01(Hash(a, b)); }
inline float Random(uint32_t a, uint32_t b, uint32_t c) { return Unit01(Hash(a, b, c)); }

// Value noise in [-1, 1], smooth in the second derivative, one bump per unit.
float Noise(float x, float y, uint32_t seed);
float Noise(V3 p, uint32_t seed);
// Sum of octaves, each half as high and twice as fine; about [-1, 1].
float Octaves(float x, float y, int octaves, uint32_t seed);

}  // namespace selvage::scene
