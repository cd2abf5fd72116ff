// Row kernels of chroma_range: compiled for every SIMD target, the same bits on each.
#pragma once

#include <cstddef>

namespace selvage::worker {

// (B - Y, R - Y) over Y, scaled to +-1/2 of light; black has none.
struct Chroma {
  float b, r;
};
Chroma ChromaOf(float r, float g, float b);
float LengthOf(const Chroma& c);

struct Wedge {
  float far_angle, soft_angle;  // degrees
  float inner, span;
};
// Shorter screen chroma than this is grey.
inline constexpr float kLeastChroma = 1e-4f;

// 1 less how far each colour lies within the wedge about the screen's chroma: of one
// screen, or of each pixel's own.
void ChromaRangeRow(const float* const rgb[3], const Chroma& screen, const Wedge& wedge, size_t count, float* matte);
void ChromaRangeRow(const float* const rgb[3], const float* const screen[3], const Wedge& wedge, size_t count,
                    float* matte);

}  // namespace selvage::worker
