#include "tests/scene/maths.h"

namespace selvage::scene {
namespace {

struct Cell {
  int i;
  float u;
};

Cell Locate(float x) {
  float whole = std::floor(x);
  float u = x - whole;
  return {static_cast<int>(whole), u * u * u * (u * (u * 6 - 15) + 10)};
}

// Lattice values need speed more than quality: one multiply-xor round.
float Lattice(int x, int y, int z, uint32_t seed) {
  uint32_t h = static_cast<uint32_t>(x) * 0x8da6b343U ^ static_cast<uint32_t>(y) * 0xd8163841U ^
               static_cast<uint32_t>(z) * 0xcb1ab31fU ^ seed * 0x9e3779b1U;
  h ^= h >> 15;
  h *= 0x2c1b3c6dU;
  h ^= h >> 13;
  return static_cast<float>(h & 0xffffff) * (2.0f / 16777215.0f) - 1.0f;
}

}  // namespace

float Noise(float x, float y, uint32_t seed) {
  Cell cx = Locate(x), cy = Locate(y);
  float a = Mix(Lattice(cx.i, cy.i, 0, seed), Lattice(cx.i + 1, cy.i, 0, seed), cx.u);
  float b = Mix(Lattice(cx.i, cy.i + 1, 0, seed), Lattice(cx.i + 1, cy.i + 1, 0, seed), cx.u);
  return Mix(a, b, cy.u);
}

float Noise(V3 p, uint32_t seed) {
  Cell cx = Locate(p.x), cy = Locate(p.y), cz = Locate(p.z);
  float side[2];
  for (int k = 0; k < 2; ++k) {
    float a = Mix(Lattice(cx.i, cy.i, cz.i + k, seed), Lattice(cx.i + 1, cy.i, cz.i + k, seed), cx.u);
    float b = Mix(Lattice(cx.i, cy.i + 1, cz.i + k, seed), Lattice(cx.i + 1, cy.i + 1, cz.i + k, seed), cx.u);
    side[k] = Mix(a, b, cy.u);
  }
  return Mix(side[0], side[1], cz.u);
}

float Octaves(float x, float y, int octaves, uint32_t seed) {
  float sum = 0, height = 0.5f;
  for (int i = 0; i < octaves; ++i) {
    sum += height * Noise(x, y, seed + static_cast<uint32_t>(i) * 101);
    height *= 0.5f;
    x = x * 2 + 17.3f;
    y = y * 2 + 9.1f;
  }
  return sum;
}

}  // namespace selvage::scene
