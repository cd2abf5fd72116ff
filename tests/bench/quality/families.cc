#include "tests/bench/quality/families.h"

#include <OpenImageIO/imageio.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <stdexcept>

#include "absl/strings/str_cat.h"

namespace selvage::quality {
namespace {

using scene::Clamp01;
using scene::Over;
using scene::Picture;
using scene::Rgba;
using scene::V3;

constexpr V3 kGreen{0.09f, 0.45f, 0.13f}, kBlue{0.06f, 0.13f, 0.48f}, kYellowGreen{0.30f, 0.46f, 0.08f},
    kCyan{0.06f, 0.42f, 0.45f}, kMagenta{0.45f, 0.08f, 0.36f}, kRed{0.5f, 0.07f, 0.06f};

// Places a pixel is sampled at, each way, and moments while the shutter is open.
constexpr int kSamples = 3, kMoments = 16;

float ToLight(float code) {
  // sRGB, IEC 61966-2-1.
  return code <= 0.04045f ? code / 12.92f : std::pow((code + 0.055f) / 1.055f, 2.4f);
}

// Linear light, premultiplied.
Picture ReadCutOut(const std::string& path) {
  OIIO::ImageSpec as_stored;
  as_stored.attribute("oiio:UnassociatedAlpha", 1);
  auto file = OIIO::ImageInput::open(path, &as_stored);
  if (!file || file->spec().nchannels != 4) throw std::runtime_error("cannot read " + path + " as RGBA");
  const int width = file->spec().width, height = file->spec().height;
  std::vector<float> samples(static_cast<size_t>(width) * height * 4);
  file->read_image(0, 0, 0, 4, OIIO::TypeDesc::FLOAT, samples.data());
  Picture picture(width, height);
  for (size_t i = 0; i < picture.pixels.size(); ++i) {
    const float *s = &samples[4 * i], a = s[3];
    picture.pixels[i] = {ToLight(s[0]) * a, ToLight(s[1]) * a, ToLight(s[2]) * a, a};
  }
  return picture;
}

// Means over factor x factor pixels, so that what is enlarged or kept is all there is to sample.
Picture Reduced(const Picture& in, int factor) {
  Picture out(in.width / factor, in.height / factor);
  const float share = 1.0f / static_cast<float>(factor * factor);
  for (int y = 0; y < out.height; ++y) {
    for (int x = 0; x < out.width; ++x) {
      Rgba sum;
      for (int j = 0; j < factor; ++j) {
        for (int i = 0; i < factor; ++i) sum = sum + in.At(x * factor + i, y * factor + j);
      }
      out.At(x, y) = sum * share;
    }
  }
  return out;
}

// Bilinear; nothing beyond the edge.
Rgba At(const Picture& picture, float x, float y) {
  const float fx = std::floor(x - 0.5f), fy = std::floor(y - 0.5f), u = x - 0.5f - fx, v = y - 0.5f - fy;
  const auto pixel = [&](float px, float py) {
    const bool inside =
        px >= 0 && py >= 0 && px < static_cast<float>(picture.width) && py < static_cast<float>(picture.height);
    return inside ? picture.At(static_cast<int>(px), static_cast<int>(py)) : Rgba{};
  };
  return (pixel(fx, fy) * (1 - u) + pixel(fx + 1, fy) * u) * (1 - v) +
         (pixel(fx, fy + 1) * (1 - u) + pixel(fx + 1, fy + 1) * u) * v;
}

// A pane in a dark frame, leaning over the right half: tinted, with a bright reflection.
Rgba Pane(float x, float y) {
  const float u = x + 0.15f * y, left = 190, right = 300, top = 40, bottom = 200;
  if (u < left || u > right || y < top || y > bottom) return {};
  const float rim = std::min({u - left, right - u, y - top, bottom - y});
  if (rim < 4) return {0.02f, 0.018f, 0.015f, 1};
  const float shine = 0.45f * scene::Step01(20, 0, std::abs(u - 0.5f * y - 170)), a = 0.18f + 0.5f * shine;
  const V3 tint = scene::Mix(V3{0.2f, 0.26f, 0.25f}, V3{0.9f, 0.9f, 0.85f}, shine);
  return scene::Cover(tint, a);
}

// A plume that rises from the middle.
Rgba Smoke(const Family& f, float x, float y, int frame) {
  const float up = (f.y - 0.3f * f.height - y) / 120;
  if (up < 0) return {};
  const float middle = f.x + 30 * up * std::sin(3 * up + 0.4f * static_cast<float>(frame)), width = 14 + 50 * up;
  const float across = (x - middle) / width, t = static_cast<float>(frame);
  const float swirl = 0.5f + 0.5f * scene::Octaves(x / 30, y / 40 + t, 4, 7);
  const float a = Clamp01(0.75f * scene::Bell(across) * (0.3f + 0.9f * swirl) * scene::Step01(0, 0.15f, up));
  return scene::Cover({0.5f, 0.5f, 0.52f}, a);
}

// A coarse net of dark threads, leaning a little, over the left half.
Rgba Mesh(float x, float y) {
  if (x < 20 || x > 150 || y < 60 || y > 200) return {};
  constexpr float kPitch = 5, kThread = 0.55f;
  const float u = std::remainder(x + 0.2f * y, kPitch), v = std::remainder(y - 0.2f * x, kPitch);
  return std::abs(u) < kThread || std::abs(v) < kThread ? Rgba{0.02f, 0.02f, 0.022f, 1} : Rgba{};
}

// Strands that leave a point, bent by their own noise, half a pixel to a pixel wide.
Rgba Hair(const Family& f, float x, float y, int frame) {
  const float cx = f.x, cy = f.y - 0.3f * f.height, dx = x - cx, dy = y - cy, r = std::hypot(dx, dy);
  if (r < 4 || r > 85) return {};
  const bool dark = f.extra == Extra::kDarkHair;
  const float angle = std::atan2(dy, dx);
  float cover = 0;
  constexpr int kStrands = 70;
  for (int i = 0; i < kStrands; ++i) {
    const auto seed = static_cast<uint32_t>(i);
    const float length = 45 + 40 * scene::Random(seed, 1);
    if (r > length) continue;
    const float at = 6.2831853f * (static_cast<float>(i) + 0.8f * scene::Random(seed, 2)) / kStrands - 3.1415927f;
    const float bend = 0.5f * (scene::Random(seed, 3) - 0.5f) * r / 60 +
                       0.06f * scene::Noise(r / 14, static_cast<float>(i) + 0.3f * static_cast<float>(frame), 5);
    const float off = std::remainder(angle - at - bend, 6.2831853f) * r, half = 0.25f + 0.3f * scene::Random(seed, 4);
    cover = std::max(cover, scene::Step01(length, 0.8f * length, r) * (std::abs(off) < half ? 1.0f : 0.0f));
  }
  return scene::Cover(dark ? V3{0.03f, 0.022f, 0.018f} : V3{0.62f, 0.52f, 0.36f}, cover);
}

Rgba ExtraAt(const Family& f, float x, float y, int frame) {
  switch (f.extra) {
    case Extra::kPane:
      return Pane(x, y);
    case Extra::kSmoke:
      return Smoke(f, x, y, frame);
    case Extra::kDarkHair:
    case Extra::kPaleHair:
      return Hair(f, x, y, frame);
    case Extra::kMesh:
      return Mesh(x, y);
    default:
      return {};
  }
}

// A cut-out as read, and how its place in the picture is found.
struct Placed {
  const Picture& picture;
  float height, x, y;
  Rgba At(float px, float py) const {
    const float scale = static_cast<float>(picture.height) / height;
    return quality::At(picture, (px - x) * scale + 0.5f * static_cast<float>(picture.width),
                       (py - y) * scale + 0.5f * static_cast<float>(picture.height));
  }
};

// What stands before the screen, premultiplied.
Picture Foreground(const Family& f, int frame, const Picture& cut_out, const Picture& behind) {
  const bool moves = f.dx != 0 || f.dy != 0;
  const int moments = moves ? std::max(16, static_cast<int>(f.size * std::hypot(f.dx, f.dy))) : 1;
  const float share = 1.0f / static_cast<float>(kSamples * kSamples * moments);
  const Placed still{behind, f.behind_height, f.behind_x, f.behind_y};
  Picture out(WidthOf(f), HeightOf(f));
  for (int y = 0; y < out.height; ++y) {
    for (int x = 0; x < out.width; ++x) {
      Rgba sum;
      for (int s = 0; s < kSamples * kSamples; ++s) {
        const float px = (static_cast<float>(x) + (static_cast<float>(s % kSamples) + 0.5f) / kSamples) / f.size,
                    py = (static_cast<float>(y) + (static_cast<float>(s / kSamples) + 0.5f) / kSamples) / f.size;
        const Rgba extra = ExtraAt(f, px, py, frame), second = f.behind ? still.At(px, py) : Rgba{};
        for (int m = 0; m < moments; ++m) {
          const float t = static_cast<float>(frame) + (moves ? static_cast<float>(m) / moments : 0.0f);
          const Rgba body = Over(Placed{cut_out, f.height, f.x + f.dx * t, f.y + f.dy * t}.At(px, py), second);
          // Hair hangs behind the head, panes and smoke stand before it.
          const bool hair = f.extra == Extra::kDarkHair || f.extra == Extra::kPaleHair;
          sum = sum + (hair ? Over(body, extra) : Over(extra, body));
        }
      }
      out.At(x, y) = sum * share;
    }
  }
  return out;
}

Picture Defocused(const Picture& in, float radius) {
  if (radius <= 0) return in;
  Picture out(in.width, in.height);
  const int reach = static_cast<int>(std::ceil(radius));
  for (int y = 0; y < in.height; ++y) {
    for (int x = 0; x < in.width; ++x) {
      Rgba sum;
      float all = 0;
      for (int j = -reach; j <= reach; ++j) {
        for (int i = -reach; i <= reach; ++i) {
          const float w = Clamp01(radius + 0.5f - std::hypot(static_cast<float>(i), static_cast<float>(j)));
          if (w <= 0) continue;
          sum = sum + in.At(std::clamp(x + i, 0, in.width - 1), std::clamp(y + j, 0, in.height - 1)) * w;
          all += w;
        }
      }
      out.At(x, y) = sum * (1 / all);
    }
  }
  return out;
}

V3 ScreenAt(const Family& f, int x, int y, int frame) {
  const float px = static_cast<float>(x) / f.size, py = static_cast<float>(y) / f.size;
  const float u = px / 320 - 0.45f, v = py / 240 - 0.4f;
  const float folds = (f.trouble == Trouble::kDeepFolds ? 0.06f : 0.015f) * scene::Noise(px / 60, py / 200, 3) +
                      (f.trouble == Trouble::kDeepFolds ? 0.06f * scene::Noise(px / 14, py / 90, 5) : 0.0f);
  float light = 1 - 0.5f * u * u - 0.4f * v * v + 0.12f * u + folds;
  if (f.trouble == Trouble::kHotSpot) light += 0.55f * scene::Bell(std::hypot(px - 210, py - 90) / 55);
  if (f.trouble == Trouble::kShadow) light *= 1 - 0.35f * scene::Step01(60, 110, px - 0.4f * py);
  if (f.trouble == Trouble::kFlicker) light *= 1 + 0.05f * static_cast<float>(frame);
  return f.screen * light;
}

// In display code: what a camera's sharpening adds, and what a JPEG file keeps.
void Sharpen(float amount, Picture* picture) {
  Picture code = *picture;
  for (Rgba& p : code.pixels) p = {scene::EncodeSrgb(p.r), scene::EncodeSrgb(p.g), scene::EncodeSrgb(p.b), 1};
  Picture soft = code;
  scene::SoftenLens(1, &soft);
  for (size_t i = 0; i < code.pixels.size(); ++i) {
    const Rgba p = code.pixels[i] + (code.pixels[i] + soft.pixels[i] * -1) * amount;
    picture->pixels[i] = {ToLight(Clamp01(p.r)), ToLight(Clamp01(p.g)), ToLight(Clamp01(p.b)), 1};
  }
}

void KeepAsJpeg(int quality, Picture* picture) {
  const std::string path =
      (std::filesystem::temp_directory_path() / absl::StrCat("selvage-families-", getpid(), ".jpg")).string();
  std::vector<float> samples;
  for (const Rgba& p : picture->pixels) {
    for (float v : {p.r, p.g, p.b}) samples.push_back(scene::EncodeSrgb(v));
  }
  OIIO::ImageSpec spec(picture->width, picture->height, 3, OIIO::TypeDesc::UINT8);
  spec.attribute("Compression", "jpeg:" + std::to_string(quality));
  auto out = OIIO::ImageOutput::create(path);
  if (!out || !out->open(path, spec) || !out->write_image(OIIO::TypeDesc::FLOAT, samples.data()) || !out->close()) {
    throw std::runtime_error("cannot write " + path);
  }
  auto in = OIIO::ImageInput::open(path);
  if (!in || !in->read_image(0, 0, 0, 3, OIIO::TypeDesc::FLOAT, samples.data())) {
    throw std::runtime_error("cannot read " + path);
  }
  in->close();
  std::filesystem::remove(path);
  for (size_t i = 0; i < picture->pixels.size(); ++i) {
    const float* s = &samples[3 * i];
    picture->pixels[i] = {ToLight(s[0]), ToLight(s[1]), ToLight(s[2]), 1};
  }
}

}  // namespace

const std::vector<Family>& Families() {
  static const std::vector<Family> families = {
      {.name = "glass, green",
       .untouched = false,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 130,
       .x = 120,
       .y = 150,
       .extra = Extra::kPane},
      {.name = "fast blur, blue",
       .untouched = false,
       .screen = kBlue,
       .cut_out = "animals/birds/helmeted_guineafowl",
       .height = 140,
       .x = 230,
       .y = 130,
       .dx = 34,
       .dy = 4},
      {.name = "defocus, cyan",
       .untouched = false,
       .screen = kCyan,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 150,
       .x = 170,
       .y = 140,
       .defocus = 7},
      {.name = "palm, yellow-green",
       .untouched = false,
       .screen = kYellowGreen,
       .cut_out = "plants/trees/liberia-palm",
       .height = 190,
       .x = 180,
       .y = 130},
      {.name = "dark hair, green",
       .untouched = false,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 140,
       .x = 180,
       .y = 160,
       .extra = Extra::kDarkHair},
      {.name = "4:2:0, green",
       .untouched = false,
       .screen = kGreen,
       .cut_out = "animals/insects/mantis",
       .height = 150,
       .x = 180,
       .y = 130,
       .dx = 2,
       .chroma_halved = true},
      {.name = "underlit, magenta",
       .untouched = false,
       .screen = kMagenta,
       .cut_out = "animals/fish/lobster",
       .height = 150,
       .x = 170,
       .y = 130,
       .light = 0.2f,
       .noise_a = 6e-4f,
       .noise_b = 2e-5f,
       .spill = 0.1f},
      {.name = "smoke, blue",
       .untouched = false,
       .screen = kBlue,
       .cut_out = "seasonal/candle",
       .height = 110,
       .x = 170,
       .y = 180,
       .extra = Extra::kSmoke},
      {.name = "blur, yellow-green",
       .untouched = false,
       .screen = kYellowGreen,
       .cut_out = "military/paratrooper",
       .height = 170,
       .x = 150,
       .y = 120,
       .dx = 12,
       .dy = 6},
      {.name = "wide defocus, green",
       .untouched = false,
       .screen = kGreen,
       .cut_out = "plants/trees/tree336",
       .height = 170,
       .x = 180,
       .y = 130,
       .defocus = 12},
      {.name = "foliage, blue",
       .untouched = false,
       .screen = kBlue,
       .cut_out = "plants/trees/rambutan",
       .height = 150,
       .x = 180,
       .y = 140},
      {.name = "pale hair, red",
       .untouched = false,
       .screen = kRed,
       .cut_out = "animals/birds/helmeted_guineafowl",
       .height = 130,
       .x = 180,
       .y = 160,
       .extra = Extra::kPaleHair},
      {.name = "4:2:0, blue",
       .untouched = false,
       .screen = kBlue,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 150,
       .x = 170,
       .y = 140,
       .dx = 2,
       .chroma_halved = true},
      {.name = "underlit, green",
       .untouched = false,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 150,
       .x = 170,
       .y = 140,
       .light = 0.2f,
       .noise_a = 6e-4f,
       .noise_b = 2e-5f,
       .spill = 0.15f},
      {.name = "beside a core, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/fish/lobster",
       .height = 90,
       .x = 120,
       .y = 90,
       .dx = 18,
       .dy = 3,
       .behind = "animals/mammals/bovines/gnu-baby",
       .behind_height = 160,
       .behind_x = 200,
       .behind_y = 150},
      {.name = "leaving, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 120,
       .x = 270,
       .y = 140,
       .dx = 26},
      {.name = "fire, blue",
       .untouched = false,
       .size = 1.5f,
       .screen = kBlue,
       .cut_out = "naturalforces/fire",
       .height = 190,
       .x = 180,
       .y = 130},
      {.name = "mesh, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/birds/helmeted_guineafowl",
       .height = 150,
       .x = 200,
       .y = 140,
       .extra = Extra::kMesh},
      {.name = "tinted, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 180,
       .x = 170,
       .y = 130,
       .tint = {0.45f, 0.9f, 0.6f},
       .spill = 0.1f},
      {.name = "hot spot, yellow-green",
       .untouched = false,
       .size = 2,
       .screen = kYellowGreen * 0.7f,
       .cut_out = "military/paratrooper",
       .height = 190,
       .x = 180,
       .y = 125,
       .noise_a = 1e-4f,
       .trouble = Trouble::kHotSpot},
      {.name = "JPEG, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 170,
       .x = 170,
       .y = 140,
       .jpeg = 60,
       .sharpening = 0.4f},
      {.name = "folds, cyan",
       .untouched = false,
       .size = 2,
       .screen = kCyan,
       .cut_out = "plants/trees/tree336",
       .height = 200,
       .x = 180,
       .y = 130,
       .trouble = Trouble::kDeepFolds},
      // Left alone at first, seen since.
      {.name = "glass, blue",
       .untouched = false,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/fish/lobster",
       .height = 130,
       .x = 120,
       .y = 140,
       .extra = Extra::kPane},
      {.name = "fast blur, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 140,
       .x = 210,
       .y = 130,
       .dx = 22,
       .dy = -5},
      {.name = "blur before another, cyan",
       .untouched = false,
       .size = 1.5f,
       .screen = kCyan,
       .cut_out = "animals/insects/mantis",
       .height = 100,
       .x = 130,
       .y = 110,
       .dx = 14,
       .dy = 6,
       .behind = "animals/birds/helmeted_guineafowl",
       .behind_height = 170,
       .behind_x = 210,
       .behind_y = 140},
      {.name = "leaving, magenta",
       .untouched = false,
       .size = 2,
       .screen = kMagenta,
       .cut_out = "animals/birds/helmeted_guineafowl",
       .height = 140,
       .x = 275,
       .y = 140,
       .dx = 20,
       .dy = 2},
      {.name = "smoke, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/fish/lobster",
       .height = 110,
       .x = 170,
       .y = 180,
       .extra = Extra::kSmoke},
      {.name = "fire, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "naturalforces/fire",
       .height = 180,
       .x = 190,
       .y = 135},
      {.name = "candle, red",
       .untouched = false,
       .size = 1.5f,
       .screen = kRed,
       .cut_out = "seasonal/candle",
       .height = 200,
       .x = 170,
       .y = 130},
      {.name = "wide defocus, blue",
       .untouched = false,
       .size = 2,
       .screen = kBlue,
       .cut_out = "plants/trees/rambutan",
       .height = 150,
       .x = 180,
       .y = 140,
       .defocus = 9},
      {.name = "foliage, yellow-green",
       .untouched = false,
       .size = 2,
       .screen = kYellowGreen,
       .cut_out = "plants/trees/tree336",
       .height = 200,
       .x = 180,
       .y = 130},
      {.name = "palm, blue",
       .untouched = false,
       .size = 2,
       .screen = kBlue,
       .cut_out = "plants/trees/liberia-palm",
       .height = 200,
       .x = 180,
       .y = 130},
      {.name = "dark hair, blue",
       .untouched = false,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 130,
       .x = 180,
       .y = 160,
       .extra = Extra::kDarkHair},
      {.name = "pale hair, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 110,
       .x = 180,
       .y = 150,
       .extra = Extra::kPaleHair},
      {.name = "mesh, yellow-green",
       .untouched = false,
       .size = 2,
       .screen = kYellowGreen,
       .cut_out = "military/paratrooper",
       .height = 150,
       .x = 220,
       .y = 120,
       .extra = Extra::kMesh},
      {.name = "4:2:0, yellow-green",
       .untouched = false,
       .size = 2,
       .screen = kYellowGreen,
       .cut_out = "animals/fish/lobster",
       .height = 190,
       .x = 170,
       .y = 130,
       .dx = 1,
       .chroma_halved = true},
      {.name = "underlit, blue",
       .untouched = false,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/insects/mantis",
       .height = 170,
       .x = 170,
       .y = 130,
       .light = 0.2f,
       .noise_a = 6e-4f,
       .noise_b = 2e-5f,
       .spill = 0.1f},
      {.name = "shadow, green",
       .untouched = false,
       .size = 2,
       .screen = kGreen,
       .cut_out = "military/paratrooper",
       .height = 190,
       .x = 170,
       .y = 125,
       .trouble = Trouble::kShadow},
      {.name = "tinted, blue",
       .untouched = false,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 170,
       .x = 170,
       .y = 140,
       .tint = {0.6f, 0.75f, 1},
       .spill = 0.08f},
      {.name = "flicker, green",
       .untouched = false,
       .size = 1.5f,
       .screen = kGreen,
       .cut_out = "animals/birds/helmeted_guineafowl",
       .height = 180,
       .x = 170,
       .y = 130,
       .noise_a = 8e-4f,
       .noise_b = 4e-5f,
       .trouble = Trouble::kFlicker},
      // Left alone.
      {.name = "glass, cyan",
       .untouched = true,
       .size = 2,
       .screen = kCyan,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 130,
       .x = 120,
       .y = 140,
       .extra = Extra::kPane},
      {.name = "glass, yellow-green",
       .untouched = true,
       .size = 1.5f,
       .screen = kYellowGreen,
       .cut_out = "animals/birds/helmeted_guineafowl",
       .height = 130,
       .x = 120,
       .y = 145,
       .extra = Extra::kPane},
      {.name = "fast blur, magenta",
       .untouched = true,
       .size = 2,
       .screen = kMagenta,
       .cut_out = "animals/fish/lobster",
       .height = 130,
       .x = 210,
       .y = 120,
       .dx = 26,
       .dy = 3},
      {.name = "fast blur, yellow-green",
       .untouched = true,
       .size = 1.5f,
       .screen = kYellowGreen,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 140,
       .x = 210,
       .y = 130,
       .dx = 18,
       .dy = 12},
      {.name = "blur, red",
       .untouched = true,
       .size = 2,
       .screen = kRed,
       .cut_out = "animals/insects/mantis",
       .height = 150,
       .x = 160,
       .y = 120,
       .dx = 10,
       .dy = -6},
      {.name = "blur before another, green",
       .untouched = true,
       .size = 1.5f,
       .screen = kGreen,
       .cut_out = "military/paratrooper",
       .height = 110,
       .x = 130,
       .y = 110,
       .dx = 12,
       .dy = 8,
       .behind = "animals/fish/lobster",
       .behind_height = 150,
       .behind_x = 210,
       .behind_y = 140},
      {.name = "leaving, blue",
       .untouched = true,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 140,
       .x = 272,
       .y = 140,
       .dx = 22,
       .dy = -3},
      {.name = "smoke, cyan",
       .untouched = true,
       .size = 2,
       .screen = kCyan,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 110,
       .x = 170,
       .y = 180,
       .extra = Extra::kSmoke},
      {.name = "fire, cyan",
       .untouched = true,
       .size = 1.5f,
       .screen = kCyan,
       .cut_out = "naturalforces/fire",
       .height = 180,
       .x = 180,
       .y = 135},
      {.name = "candle, green",
       .untouched = true,
       .size = 1.5f,
       .screen = kGreen,
       .cut_out = "seasonal/candle",
       .height = 200,
       .x = 170,
       .y = 130},
      {.name = "wide defocus, yellow-green",
       .untouched = true,
       .size = 2,
       .screen = kYellowGreen,
       .cut_out = "animals/fish/lobster",
       .height = 140,
       .x = 180,
       .y = 130,
       .defocus = 9},
      {.name = "wide defocus, magenta",
       .untouched = true,
       .size = 2,
       .screen = kMagenta,
       .cut_out = "animals/insects/mantis",
       .height = 160,
       .x = 175,
       .y = 130,
       .defocus = 8},
      {.name = "foliage, magenta",
       .untouched = true,
       .size = 2,
       .screen = kMagenta,
       .cut_out = "plants/trees/rambutan",
       .height = 150,
       .x = 180,
       .y = 140},
      {.name = "palm, red",
       .untouched = true,
       .size = 2,
       .screen = kRed,
       .cut_out = "plants/trees/liberia-palm",
       .height = 200,
       .x = 180,
       .y = 130},
      {.name = "dark hair, yellow-green",
       .untouched = true,
       .size = 2,
       .screen = kYellowGreen,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 120,
       .x = 180,
       .y = 150,
       .extra = Extra::kDarkHair},
      {.name = "pale hair, blue",
       .untouched = true,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/fish/lobster",
       .height = 120,
       .x = 180,
       .y = 160,
       .extra = Extra::kPaleHair},
      {.name = "mesh, blue",
       .untouched = true,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 150,
       .x = 210,
       .y = 140,
       .extra = Extra::kMesh},
      {.name = "4:2:0, cyan",
       .untouched = true,
       .size = 2,
       .screen = kCyan,
       .cut_out = "animals/fish/lobster",
       .height = 180,
       .x = 170,
       .y = 130,
       .dx = 1,
       .chroma_halved = true},
      {.name = "JPEG, blue",
       .untouched = true,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/birds/helmeted_guineafowl",
       .height = 170,
       .x = 170,
       .y = 130,
       .jpeg = 70,
       .sharpening = 0.3f},
      {.name = "underlit, yellow-green",
       .untouched = true,
       .size = 2,
       .screen = kYellowGreen,
       .cut_out = "military/paratrooper",
       .height = 180,
       .x = 170,
       .y = 125,
       .light = 0.2f,
       .noise_a = 6e-4f,
       .noise_b = 2e-5f,
       .spill = 0.1f},
      {.name = "shadow, blue",
       .untouched = true,
       .size = 2,
       .screen = kBlue,
       .cut_out = "animals/insects/mantis",
       .height = 170,
       .x = 175,
       .y = 130,
       .trouble = Trouble::kShadow},
      {.name = "hot spot, green",
       .untouched = true,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/mammals/bovines/indian_blackbuck",
       .height = 170,
       .x = 170,
       .y = 140,
       .noise_a = 1e-4f,
       .trouble = Trouble::kHotSpot},
      {.name = "folds, green",
       .untouched = true,
       .size = 2,
       .screen = kGreen,
       .cut_out = "animals/birds/helmeted_guineafowl",
       .height = 180,
       .x = 180,
       .y = 130,
       .trouble = Trouble::kDeepFolds},
      {.name = "flicker, cyan",
       .untouched = true,
       .size = 1.5f,
       .screen = kCyan,
       .cut_out = "animals/mammals/bovines/gnu-baby",
       .height = 170,
       .x = 170,
       .y = 130,
       .noise_a = 8e-4f,
       .noise_b = 4e-5f,
       .trouble = Trouble::kFlicker},
  };
  return families;
}

namespace {

// Twice as large as it will be drawn, at most.
Picture CutOut(const std::string& folder, const char* name, float height) {
  Picture cut_out = ReadCutOut(folder + "/" + name + ".png");
  const int factor = std::max(1, static_cast<int>(static_cast<float>(cut_out.height) / (2 * height)));
  return factor > 1 ? Reduced(cut_out, factor) : cut_out;
}

}  // namespace

Frame Draw(const Family& f, int frame, const std::string& folder) {
  const Picture cut_out = CutOut(folder, f.cut_out, f.height * f.size),
                behind = f.behind ? CutOut(folder, f.behind, f.behind_height * f.size) : Picture();
  const int width = WidthOf(f), height = HeightOf(f);
  Frame drawn{Picture(width, height), Defocused(Foreground(f, frame, cut_out, behind), f.defocus * f.size)};
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      Rgba& front = drawn.truth.At(x, y);
      const float light = f.trouble == Trouble::kFlicker ? f.light * (1 + 0.05f * static_cast<float>(frame)) : f.light;
      front = {front.r * f.tint.x * light, front.g * f.tint.y * light, front.b * f.tint.z * light, front.a};
      const V3 screen = ScreenAt(f, x, y, frame) * f.light, spill = screen * (f.spill * front.a);
      const Rgba lit{front.r + spill.x, front.g + spill.y, front.b + spill.z, front.a};
      drawn.plate.At(x, y) = Over(lit, scene::Cover(screen));
    }
  }
  scene::SoftenLens(0.5f, &drawn.plate);
  scene::SoftenLens(0.5f, &drawn.truth);
  const V3 a{f.noise_a, f.noise_a, f.noise_a}, b{f.noise_b, f.noise_b, f.noise_b};
  scene::AddNoise({a, b}, 11, frame, &drawn.plate);
  if (f.sharpening > 0) Sharpen(f.sharpening, &drawn.plate);
  if (f.chroma_halved) scene::Subsample420(&drawn.plate);
  if (f.jpeg > 0) KeepAsJpeg(f.jpeg, &drawn.plate);
  return drawn;
}

}  // namespace selvage::quality
