#include "tests/scene/picture.h"

namespace selvage::scene {
namespace {

// The camera looks down by 7 degrees.
constexpr float kSin = 0.121869f, kCos = 0.992546f;

// A standard normal number from two uniform ones (Box & Muller 1958).
float Normal(uint32_t hash) {
  float u = 1.0f - Unit01(Hash(hash ^ 0x51ed27U));
  float v = Unit01(Hash(hash ^ 0xa3c59bU));
  return std::sqrt(-2.0f * std::log(u)) * std::cos(6.2831853f * v);
}

// ITU-R BT.709-6 item 1.2.
float EncodeBt709(float y) { return y < 0.018f ? 4.5f * y : 1.099f * std::pow(y, 0.45f) - 0.099f; }
float DecodeBt709(float v) { return v < 0.081f ? v / 4.5f : std::pow((v + 0.099f) / 1.099f, 1 / 0.45f); }

// A studio range 8-bit code and back: black at `zero`, `span` codes.
float Quantise(float value, float zero, float span) {
  float code = std::clamp(std::round(zero + span * value), 1.0f, 254.0f);
  return (code - zero) / span;
}

}  // namespace

Camera::Camera(int w, int h) : width(w), height(h), metres_per_pixel(kMetres / static_cast<float>(h)) {}

V3 Camera::Project(V3 p) { return {p.x, p.y * kCos - p.z * kSin, p.y * kSin + p.z * kCos}; }
V3 Camera::World(V3 q) { return {q.x, q.y * kCos + q.z * kSin, -q.y * kSin + q.z * kCos}; }

void SoftenLens(float sigma, Picture* picture) {
  int reach = static_cast<int>(std::ceil(3.5f * sigma));
  if (sigma <= 0) return;
  std::vector<float> weight(2 * reach + 1);
  float sum = 0;
  for (int i = -reach; i <= reach; ++i) sum += weight[i + reach] = Bell(static_cast<float>(i) / (1.4142136f * sigma));
  for (float& w : weight) w /= sum;

  int width = picture->width, height = picture->height;
  Picture across(width, height);
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      Rgba total;
      for (int i = -reach; i <= reach; ++i) {
        total = total + picture->At(std::clamp(x + i, 0, width - 1), y) * weight[i + reach];
      }
      across.At(x, y) = total;
    }
  }
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      Rgba total;
      for (int i = -reach; i <= reach; ++i) {
        total = total + across.At(x, std::clamp(y + i, 0, height - 1)) * weight[i + reach];
      }
      picture->At(x, y) = total;
    }
  }
}

void AddNoise(const Noise3& noise, uint32_t seed, int frame, Picture* picture) {
  uint32_t stream = Hash(seed, static_cast<uint32_t>(frame), 0x6e6f6973U);
  auto noisy = [](float y, float a, float b, uint32_t hash) {
    return y + std::sqrt(std::max(0.0f, a * y + b)) * Normal(hash);
  };
  uint32_t n = 0;
  for (Rgba& p : picture->pixels) {
    uint32_t hash = Hash(stream, n++);
    p.r = noisy(p.r, noise.a.x, noise.b.x, hash);
    p.g = noisy(p.g, noise.a.y, noise.b.y, hash + 0x1000193U);
    p.b = noisy(p.b, noise.a.z, noise.b.z, hash + 0x2000387U);
  }
}

void Subsample420(Picture* picture) {
  constexpr float kRed = 0.2126f, kGreen = 0.7152f, kBlue = 0.0722f;
  for (int y0 = 0; y0 < picture->height; y0 += 2) {
    for (int x0 = 0; x0 < picture->width; x0 += 2) {
      float luma[4], cb = 0, cr = 0;
      Rgba* pixel[4];
      int count = 0;
      for (int y = y0; y < std::min(y0 + 2, picture->height); ++y) {
        for (int x = x0; x < std::min(x0 + 2, picture->width); ++x) {
          Rgba& p = *(pixel[count] = &picture->At(x, y));
          float r = EncodeBt709(Clamp01(p.r)), g = EncodeBt709(Clamp01(p.g)), b = EncodeBt709(Clamp01(p.b));
          float l = kRed * r + kGreen * g + kBlue * b;
          cb += (b - l) / (2 * (1 - kBlue));
          cr += (r - l) / (2 * (1 - kRed));
          luma[count++] = Quantise(l, 16, 219);
        }
      }
      cb = Quantise(cb / static_cast<float>(count), 128, 224);
      cr = Quantise(cr / static_cast<float>(count), 128, 224);
      for (int i = 0; i < count; ++i) {
        float r = luma[i] + cr * 2 * (1 - kRed), b = luma[i] + cb * 2 * (1 - kBlue);
        float g = (luma[i] - kRed * r - kBlue * b) / kGreen;
        *pixel[i] = {DecodeBt709(Clamp01(r)), DecodeBt709(Clamp01(g)), DecodeBt709(Clamp01(b)), 1};
      }
    }
  }
}

float EncodeSrgb(float y) {
  y = Clamp01(y);
  return y <= 0.0031308f ? 12.92f * y : 1.055f * std::pow(y, 1 / 2.4f) - 0.055f;
}

float EncodeDensity(float y) {
  // Code 95 is black and 685 is 1.0; the black offset makes 0 land on 95.
  const float offset = std::pow(10.0f, (95.0f - 685.0f) * 0.002f / 0.6f);
  float code = 685.0f + std::log10(std::max(1e-6f, y * (1 - offset) + offset)) * 0.6f / 0.002f;
  return Clamp01(code / 1023.0f);
}

}  // namespace selvage::scene
