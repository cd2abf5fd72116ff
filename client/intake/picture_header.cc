#include "client/intake/picture_header.h"

#include <algorithm>
#include <fstream>
#include <map>
#include <string_view>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"

namespace selvage::client {
namespace {

// Headers are shorter; those that are not say no more than their type.
constexpr size_t kMostHeader = 256 << 10;
// What is said of a file with more channels is how many there are.
constexpr size_t kMostNamed = 12;

// Numbers at places of some bytes; 0 beyond their end.
class Numbers {
 public:
  Numbers(std::string_view bytes, bool big_endian) : bytes_(bytes), big_(big_endian) {}
  uint32_t Byte(size_t at) const { return at < bytes_.size() ? static_cast<unsigned char>(bytes_[at]) : 0; }
  uint32_t Short(size_t at) const { return big_ ? Byte(at) << 8 | Byte(at + 1) : Byte(at + 1) << 8 | Byte(at); }
  uint32_t Long(size_t at) const { return big_ ? Short(at) << 16 | Short(at + 2) : Short(at + 2) << 16 | Short(at); }

 private:
  std::string_view bytes_;
  bool big_;
};

std::string Described(const std::string& type, const std::string& samples, const std::vector<std::string>& channels) {
  if (channels.empty()) return absl::StrCat(type, ", ", samples);
  return absl::StrCat(
      type, ", ", samples, ": ",
      channels.size() > kMostNamed ? absl::StrCat(channels.size(), " channels") : absl::StrJoin(channels, " "));
}

// Up to the next NUL byte, which is passed; what is no ASCII is "?".
std::string TextAt(std::string_view bytes, size_t* at) {
  std::string text;
  for (; *at < bytes.size() && bytes[*at] != 0; ++*at) {
    text += absl::ascii_isgraph(static_cast<unsigned char>(bytes[*at])) ? bytes[*at] : '?';
  }
  ++*at;
  return text;
}

// The channel list of OpenEXR: name, type, four bytes, two samplings.
// Source: "OpenEXR File Layout", openexr.com.
std::string ExrChannels(std::string_view list) {
  const Numbers numbers(list, false);
  std::vector<std::string> channels, types;
  for (size_t at = 0; at < list.size() && list[at] != 0; at += 16) {
    channels.push_back(TextAt(list, &at));
    const uint32_t type = numbers.Long(at);
    types.push_back(type == 0 ? "uint" : type == 1 ? "half" : type == 2 ? "float" : "?");
  }
  const bool alike = std::all_of(types.begin(), types.end(), [&](const std::string& t) { return t == types[0]; });
  if (types.empty()) return "OpenEXR";
  if (!alike) {
    for (size_t i = 0; i < channels.size(); ++i) absl::StrAppend(&channels[i], " (", types[i], ")");
  }
  return Described("OpenEXR", alike ? types[0] : "mixed", channels);
}

std::string ExrType(std::string_view header) {
  const Numbers numbers(header, false);
  for (size_t at = 8; at < header.size() && header[at] != 0;) {
    TextAt(header, &at);
    const std::string type = TextAt(header, &at);
    const size_t size = numbers.Long(at);
    at += 4;
    if (at > header.size() || size > header.size() - at) break;
    if (type == "chlist") return ExrChannels(header.substr(at, size));
    at += size;
  }
  return "OpenEXR";
}

// Places and codes of SMPTE ST 268: the first image element.
std::string DpxType(std::string_view header) {
  if (header.size() < 804) return "DPX";
  const uint32_t descriptor = Numbers(header, true).Byte(800), bits = Numbers(header, true).Byte(803);
  const std::map<uint32_t, std::vector<std::string>> known = {
      {6, {"Y"}}, {50, {"R", "G", "B"}}, {51, {"R", "G", "B", "A"}}, {52, {"A", "B", "G", "R"}}};
  const auto channels = known.find(descriptor);
  if (channels != known.end()) return Described("DPX", absl::StrCat(bits, " bits"), channels->second);
  return absl::StrCat("DPX, ", bits, " bits: channels of code ", descriptor);
}

// IHDR, W3C PNG specification.
std::string PngType(std::string_view header) {
  if (header.size() < 26) return "PNG";
  const std::map<uint32_t, std::vector<std::string>> known = {
      {0, {"Y"}}, {2, {"R", "G", "B"}}, {3, {"palette"}}, {4, {"Y", "A"}}, {6, {"R", "G", "B", "A"}}};
  const Numbers numbers(header, true);
  const auto channels = known.find(numbers.Byte(25));
  return Described("PNG", absl::StrCat(numbers.Byte(24), " bits"),
                   channels == known.end() ? std::vector<std::string>() : channels->second);
}

// Segments up to the frame header, ITU-T T.81.
std::string JpegType(std::string_view header) {
  const Numbers numbers(header, true);
  for (size_t at = 2; at + 10 <= header.size();) {
    const uint32_t marker = numbers.Byte(at + 1);
    if (numbers.Byte(at) != 0xFF) break;
    if (marker == 0xFF) {
      ++at;
      continue;
    }
    if (marker >= 0xC0 && marker <= 0xCF && marker != 0xC4 && marker != 0xC8 && marker != 0xCC) {
      const uint32_t count = numbers.Byte(at + 9);
      const std::vector<std::string> channels = count == 1 ? std::vector<std::string>{"Y"}
                                                : count == 3
                                                    ? std::vector<std::string>{"Y", "Cb", "Cr"}
                                                    : std::vector<std::string>{absl::StrCat(count, " channels")};
      return Described("JPEG", absl::StrCat(numbers.Byte(at + 4), " bits"), channels);
    }
    at += 2 + std::max<size_t>(2, numbers.Short(at + 2));
  }
  return "JPEG";
}

// The first directory, TIFF 6.0: BitsPerSample, SamplesPerPixel, SampleFormat.
std::string TiffType(std::string_view header, const ReadBytes& read) {
  const bool big = header[0] == 'M';
  const uint64_t place = Numbers(header, big).Long(4);
  const std::string count_bytes = read(place, 2);
  const size_t entries = std::min<size_t>(Numbers(count_bytes, big).Short(0), 4096);
  const std::string directory = read(place + 2, entries * 12);
  const Numbers numbers(directory, big);
  uint32_t bits = 1, channels = 1, format = 1;
  for (size_t at = 0; at + 12 <= directory.size(); at += 12) {
    const uint32_t tag = numbers.Short(at);
    // Shorts: up to two lie in the entry itself, else where it says.
    uint32_t value = numbers.Short(at + 8);
    if (numbers.Long(at + 4) > 2) {
      const std::string elsewhere = read(numbers.Long(at + 8), 2);
      value = Numbers(elsewhere, big).Short(0);
    }
    if (tag == 258) bits = value;
    if (tag == 277) channels = numbers.Short(at + 8);
    if (tag == 339) format = value;
  }
  return Described("TIFF", absl::StrCat(bits, format == 3 ? " bits, float" : " bits"),
                   {absl::StrCat(channels, channels == 1 ? " channel" : " channels")});
}

}  // namespace

std::string PictureTypeIn(const ReadBytes& read) {
  const std::string header = read(0, kMostHeader);
  const auto begins = [&](std::string_view magic) { return absl::StartsWith(header, {magic.data(), magic.size()}); };
  if (begins("\x76\x2f\x31\x01")) return ExrType(header);
  if (begins("SDPX") || begins("XPDS")) return DpxType(header);
  if (begins("\x89PNG\r\n\x1a\n")) return PngType(header);
  if (begins("\xff\xd8\xff")) return JpegType(header);
  if (begins(std::string_view("II*\0", 4)) || begins(std::string_view("MM\0*", 4))) return TiffType(header, read);
  return "";
}

std::string PictureTypeOf(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  return PictureTypeIn([&](uint64_t offset, size_t count) {
    std::string bytes(count, '\0');
    in.clear();
    in.seekg(static_cast<std::streamoff>(offset));
    in.read(bytes.data(), static_cast<std::streamsize>(count));
    bytes.resize(in.gcount() > 0 ? static_cast<size_t>(in.gcount()) : 0);
    return bytes;
  });
}

}  // namespace selvage::client
