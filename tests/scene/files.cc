#include "tests/scene/files.h"

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfOutputFile.h>
#include <Imath/half.h>
#include <OpenImageIO/imageio.h>

#include <cstdio>
#include <filesystem>
#include <fstream>
#include <stdexcept>

namespace selvage::scene {
namespace {

void WriteIntegers(const std::string& path, const Picture& picture, float (*encode)(float), int bits) {
  OIIO::ImageSpec spec(picture.width, picture.height, 3, bits == 8 ? OIIO::TypeDesc::UINT8 : OIIO::TypeDesc::UINT16);
  spec.attribute("oiio:BitsPerSample", bits);
  spec.attribute("oiio:ColorSpace", bits == 8 ? "sRGB" : "KodakLog");
  std::vector<float> row;
  row.reserve(picture.pixels.size() * 3);
  for (const Rgba& p : picture.pixels) {
    for (float v : {p.r, p.g, p.b}) row.push_back(encode(v));
  }
  auto out = OIIO::ImageOutput::create(path);
  if (!out || !out->open(path, spec) || !out->write_image(OIIO::TypeDesc::FLOAT, row.data()) || !out->close()) {
    throw std::runtime_error("can't write " + path + ": " + (out ? out->geterror() : OIIO::geterror()));
  }
}

}  // namespace

void WriteExr(const std::string& path, const Picture& picture, Channels channels) {
  int width = picture.width, height = picture.height;
  Imf::Header header(width, height);
  header.compression() = Imf::ZIP_COMPRESSION;
  std::vector<half> samples(picture.pixels.size() * 4);
  for (size_t i = 0; i < picture.pixels.size(); ++i) {
    const Rgba& p = picture.pixels[i];
    half* s = &samples[4 * i];
    s[0] = p.r;
    s[1] = p.g;
    s[2] = p.b;
    s[3] = p.a;
  }
  Imf::FrameBuffer buffer;
  const char* names[] = {"R", "G", "B", "A"};
  for (int c = channels == Channels::kAlpha ? 3 : 0; c < (channels == Channels::kRgb ? 3 : 4); ++c) {
    header.channels().insert(names[c], Imf::Channel(Imf::HALF));
    buffer.insert(names[c], Imf::Slice(Imf::HALF, reinterpret_cast<char*>(&samples[static_cast<size_t>(c)]),
                                       4 * sizeof(half), 4 * sizeof(half) * static_cast<size_t>(width)));
  }
  Imf::OutputFile file(path.c_str(), header, 0);
  file.setFrameBuffer(buffer);
  file.writePixels(height);
}

void WritePng(const std::string& path, const Picture& picture) { WriteIntegers(path, picture, EncodeSrgb, 8); }
void WriteDpx(const std::string& path, const Picture& picture) {
  WriteIntegers(path, picture, EncodeDensity, 10);
  // The header (SMPTE 268M) holds the file's name in 100 bytes from byte 36, and
  // the library puts the whole path there: the bytes would depend on the folder.
  std::string name = std::filesystem::path(path).filename().string();
  name.resize(100, '\0');
  std::fstream file(path, std::ios::binary | std::ios::in | std::ios::out);
  file.seekp(36);
  file.write(name.data(), 100);
  if (!file.flush()) throw std::runtime_error("can't write " + path);
}

Picture ReadPicture(const std::string& path) {
  auto in = OIIO::ImageInput::open(path);
  if (!in) throw std::runtime_error("can't read " + path + ": " + OIIO::geterror());
  const OIIO::ImageSpec spec = in->spec();
  int channels = spec.nchannels;
  std::vector<float> samples(static_cast<size_t>(spec.width) * spec.height * channels);
  if (!in->read_image(0, 0, 0, channels, OIIO::TypeDesc::FLOAT, samples.data()))
    throw std::runtime_error("can't read " + path + ": " + in->geterror());
  auto find = [&](const char* name, int otherwise) {
    int i = spec.channelindex(name);
    return i >= 0 ? i : otherwise;
  };
  // A matte may be a single channel of any name.
  int r = find("R", 0), g = find("G", std::min(1, channels - 1)), b = find("B", std::min(2, channels - 1));
  int a = find("A", channels == 1 ? 0 : -1);
  Picture picture(spec.width, spec.height);
  for (size_t i = 0; i < picture.pixels.size(); ++i) {
    const float* s = &samples[i * static_cast<size_t>(channels)];
    picture.pixels[i] = {s[r], s[g], s[b], a < 0 ? 1.0f : s[a]};
  }
  return picture;
}

std::string FramePath(const std::string& pattern, int frame) {
  size_t percent = pattern.find('%');
  size_t letter = percent == std::string::npos ? percent : pattern.find('d', percent);
  if (letter == std::string::npos) return pattern;
  int digits = 0;
  for (size_t i = percent + 1; i < letter; ++i) digits = digits * 10 + (pattern[i] - '0');
  char number[32];
  std::snprintf(number, sizeof number, "%0*d", std::clamp(digits, 0, 16), frame);
  return pattern.substr(0, percent) + number + pattern.substr(letter + 1);
}

}  // namespace selvage::scene
