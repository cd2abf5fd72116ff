// Offsets: SMPTE ST 268; method A and "unset is all ones" as files in the field have it.
#include "worker/files/picture_file.h"

#include <algorithm>
#include <bit>
#include <boost/endian/conversion.hpp>
#include <cmath>
#include <cstring>
#include <numeric>

namespace selvage::worker {
namespace {

constexpr size_t kHeaderBytes = 2048;
constexpr size_t kElementBytes = 72;

void Put32(std::string* to, size_t at, uint32_t v) {
  boost::endian::store_big_u32(reinterpret_cast<unsigned char*>(to->data()) + at, v);
}
void Put16(std::string* to, size_t at, uint16_t v) {
  boost::endian::store_big_u16(reinterpret_cast<unsigned char*>(to->data()) + at, v);
}
// At most `size` - 1 bytes: text fields end in zero.
void PutText(std::string* to, size_t at, size_t size, const std::string& text) {
  std::memcpy(to->data() + at, text.data(), std::min(size - 1, text.size()));
}
void Unset(std::string* to, size_t from, size_t end) { std::memset(to->data() + from, 0xFF, end - from); }

void PutFileHeader(std::string* to, const DpxHeader& h) {
  std::memcpy(to->data(), "SDPX", 4);
  Put32(to, 4, kHeaderBytes);  // where the pixels are
  std::memcpy(to->data() + 8, "V2.0", 4);
  Put32(to, 16, static_cast<uint32_t>(to->size()));
  Put32(to, 20, 1);     // not the same as the frame before
  Put32(to, 24, 1664);  // generic header
  Put32(to, 28, 384);   // industry header
  PutText(to, 160, 100, h.creator);
  PutText(to, 260, 200, h.project);
  Unset(to, 660, 664);  // encryption key
}

void PutImageHeader(std::string* to, const Codes& codes, const DpxHeader& h) {
  Put16(to, 768, 0);  // left to right, top to bottom
  Put16(to, 770, 1);  // image elements
  Put32(to, 772, static_cast<uint32_t>(codes.width));
  Put32(to, 776, static_cast<uint32_t>(codes.height));
  Put32(to, 780, 0);     // unsigned
  Put32(to, 784, 0);     // lowest code
  Unset(to, 788, 792);   // and its density
  Put32(to, 792, 1023);  // highest code
  Unset(to, 796, 800);
  (*to)[800] = 50;  // R G B
  (*to)[801] = static_cast<char>(h.transfer);
  (*to)[802] = static_cast<char>(h.colorimetric);
  (*to)[803] = 10;    // bits
  Put16(to, 804, 1);  // filled, method A
  Put16(to, 806, 0);  // no run lengths
  Put32(to, 808, kHeaderBytes);
  Put32(to, 812, 0);  // no padding of lines
  Put32(to, 816, 0);  // nor of the image
  // The seven other elements: numbers, then 32 bytes of text.
  for (size_t i = 1; i < 8; ++i) Unset(to, 780 + i * kElementBytes, 820 + i * kElementBytes);
}

void PutFloat(std::string* to, size_t at, float v) { Put32(to, at, std::bit_cast<uint32_t>(v)); }

void PutMetadata(std::string* to, const FileMetadata& m) {
  if (m.has_pixel_aspect()) {
    const auto across = static_cast<uint32_t>(std::lround(m.pixel_aspect() * 10000));
    const uint32_t common = std::gcd(across, 10000u);
    Put32(to, 1628, across / common);
    Put32(to, 1632, 10000 / common);
  }
  if (m.has_timecode()) {
    Put32(to, 1920, m.timecode());
    Put32(to, 1924, m.timecode_user());
  }
  if (m.rate_denominator() > 0) {
    const auto rate = static_cast<float>(static_cast<double>(m.rate_numerator()) / m.rate_denominator());
    PutFloat(to, 1724, rate);  // film
    PutFloat(to, 1940, rate);  // television
  }
}

void PutOtherHeaders(std::string* to) {
  Unset(to, 1408, 1432);  // offsets, centre, original size
  Unset(to, 1620, 1628);  // borders
  Put32(to, 1628, 1);     // square pixels
  Put32(to, 1632, 1);
  Unset(to, 1712, 1732);  // film: position, length, held, rate, shutter
  Unset(to, 1920, 1972);  // television
}

}  // namespace

std::string WriteDpx(const Codes& codes, const DpxHeader& header) {
  const size_t pixels = static_cast<size_t>(codes.width) * static_cast<size_t>(codes.height);
  std::string bytes(kHeaderBytes + 4 * pixels, '\0');
  PutFileHeader(&bytes, header);
  PutImageHeader(&bytes, codes, header);
  PutOtherHeaders(&bytes);
  PutMetadata(&bytes, header.metadata);
  for (size_t i = 0; i < pixels; ++i) {
    const uint16_t* c = codes.samples.data() + 3 * i;
    Put32(&bytes, kHeaderBytes + 4 * i, uint32_t{c[0]} << 22 | uint32_t{c[1]} << 12 | uint32_t{c[2]} << 2);
  }
  return bytes;
}

}  // namespace selvage::worker
