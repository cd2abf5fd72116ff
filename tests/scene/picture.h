// Pictures of the scene, the camera, and what the lens and the sensor do.
#pragma once

#include <cstdint>
#include <vector>

#include "tests/scene/maths.h"

namespace selvage::scene {

// Scene-linear, RGB multiplied by coverage a.
struct Rgba {
  float r = 0, g = 0, b = 0, a = 0;
};

inline Rgba operator+(Rgba p, Rgba q) { return {p.r + q.r, p.g + q.g, p.b + q.b, p.a + q.a}; }
inline Rgba operator*(Rgba p, float s) { return {p.r * s, p.g * s, p.b * s, p.a * s}; }
// Source over: `top` is premultiplied.
inline Rgba Over(Rgba top, Rgba below) { return top + below * (1 - top.a); }
inline Rgba Cover(V3 c, float a = 1) { return {c.x * a, c.y * a, c.z * a, a}; }

struct Picture {
  Picture() = default;
  Picture(int w, int h) : width(w), height(h), pixels(static_cast<size_t>(w) * h) {}
  Rgba& At(int x, int y) { return pixels[static_cast<size_t>(y) * width + x]; }
  const Rgba& At(int x, int y) const { return pixels[static_cast<size_t>(y) * width + x]; }

  int width = 0, height = 0;
  std::vector<Rgba> pixels;
};

// A long lens, as a parallel projection looking down a little. World in metres:
// x right, y up from the floor, z towards the camera; the figure stands at 0.
struct Camera {
  Camera(int w, int h);

  // Plane coordinates (metres across and up) of a pixel position.
  float PlaneX(float px) const { return (px - 0.5f * width) * metres_per_pixel; }
  float PlaneY(float py) const { return (kFeet * height - py) * metres_per_pixel; }
  float PixelX(float x) const { return x / metres_per_pixel + 0.5f * width; }
  float PixelY(float y) const { return kFeet * height - y / metres_per_pixel; }
  // World point to (plane x, plane y, depth towards the camera).
  static V3 Project(V3 p);
  // And back.
  static V3 World(V3 plane);

  // Height of the picture in metres, and where in it (share from the top) the
  // figure's feet are.
  static constexpr float kMetres = 2.22f;
  static constexpr float kFeet = 0.925f;

  int width, height;
  float metres_per_pixel;
};

// Gaussian point spread function of the lens, all four channels; edges repeat.
void SoftenLens(float sigma, Picture* picture);

// Noise of the sensor: variance = a * y + b per channel (y the noise-free value).
struct Noise3 {
  V3 a, b;
};
void AddNoise(const Noise3& noise, uint32_t seed, int frame, Picture* picture);

// What an 8-bit 4:2:0 recording keeps: BT.709 curve, BT.709 luma and chroma in
// studio range, chroma averaged over 2 x 2 pixels, 8 bits each, and back to light.
void Subsample420(Picture* picture);

// Encodings for the 8 and 10 bit files: IEC 61966-2-1, and printing density
// (black 95, white 685, 0.002 per code value, 0.6 gamma).
float EncodeSrgb(float linear);
float EncodeDensity(float linear);

}  // namespace selvage::scene
