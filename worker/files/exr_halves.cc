#include "worker/files/exr_halves.h"

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfIO.h>
#include <OpenEXR/ImfInputPart.h>
#include <OpenEXR/ImfMultiPartInputFile.h>
#include <OpenEXR/ImfPartType.h>

#include <algorithm>
#include <bit>
#include <cstring>
#include <stdexcept>

#include "worker/files/exr_zip.h"

namespace selvage::worker {
namespace {

static_assert(std::endian::native == std::endian::little, "samples lie in the file as they do in memory");

// The bytes of a file, which the library looks at where they are.
class ViewStream final : public Imf::IStream {
 public:
  explicit ViewStream(std::string_view bytes) : IStream("memory"), bytes_(bytes) {}
  bool isMemoryMapped() const override { return true; }
  char* readMemoryMapped(int count) override {
    if (count < 0 || at_ > bytes_.size() || static_cast<size_t>(count) > bytes_.size() - at_) {
      throw std::runtime_error("the file ends too early");
    }
    // The library does not write to it.
    char* const here = const_cast<char*>(bytes_.data()) + at_;
    at_ += static_cast<size_t>(count);
    return here;
  }
  bool read(char to[], int count) override {
    std::memcpy(to, readMemoryMapped(count), static_cast<size_t>(count));
    return at_ < bytes_.size();
  }
  uint64_t tellg() override { return at_; }
  void seekg(uint64_t at) override { at_ = at; }

 private:
  const std::string_view bytes_;
  uint64_t at_ = 0;
};

// A block is unpacked whole: 16 lines of what any camera records are far smaller.
constexpr size_t kMostBlock = size_t{64} << 20;

// Scan lines that are packed together; 0: another compression.
int LinesOf(Imf::Compression compression) {
  switch (compression) {
    case Imf::NO_COMPRESSION:
    case Imf::ZIPS_COMPRESSION:
      return 1;
    case Imf::ZIP_COMPRESSION:
      return 16;
    default:
      return 0;
  }
}

// Where the wanted channels lie within a scan line, in bytes; nothing if one is missing
// or no half, or if any channel has another number of samples than the picture has pixels.
struct LineLayout {
  std::vector<size_t> offsets;
  size_t bytes = 0;
};
LineLayout LayoutOf(const Imf::ChannelList& list, size_t width, const std::vector<std::string>& wanted) {
  LineLayout layout;
  layout.offsets.resize(wanted.size());
  size_t found = 0;
  for (auto i = list.begin(); i != list.end(); ++i) {
    const Imf::Channel& channel = i.channel();
    if (channel.xSampling != 1 || channel.ySampling != 1) return {};
    for (size_t k = 0; k < wanted.size(); ++k) {
      if (wanted[k] != i.name()) continue;
      if (channel.type != Imf::HALF) return {};
      layout.offsets[k] = layout.bytes;
      ++found;
    }
    layout.bytes += width * (channel.type == Imf::HALF ? 2 : 4);
  }
  return found == wanted.size() ? layout : LineLayout{};
}

}  // namespace

bool ReadExrHalves(std::string_view bytes, int part, const std::vector<std::string>& channels, const UseHalfRows& use) {
  ViewStream stream(bytes);
  // In this thread, and no table made up where the file's own is damaged.
  Imf::MultiPartInputFile file(stream, 0, false);
  if (part >= file.parts()) return false;
  const Imf::Header& header = file.header(part);
  const int lines = LinesOf(header.compression());
  if (lines == 0 || header.hasTileDescription() || (header.hasType() && header.type() != Imf::SCANLINEIMAGE)) {
    return false;
  }
  const Imath::Box2i& window = header.dataWindow();
  const int height = window.max.y - window.min.y + 1;
  const LineLayout layout = LayoutOf(header.channels(), static_cast<size_t>(window.max.x - window.min.x + 1), channels);
  if (layout.bytes == 0 || layout.bytes > kMostBlock / static_cast<size_t>(lines)) return false;

  Imf::InputPart input(file, part);
  ExrInflater inflater;
  std::vector<const uint16_t*> rows(channels.size());
  for (int y = 0; y < height; y += lines) {
    const char* packed = nullptr;
    int packed_size = 0;
    input.rawPixelData(window.min.y + y, packed, packed_size);
    const int count = std::min(lines, height - y);
    const size_t size = layout.bytes * static_cast<size_t>(count);
    const bool plain = header.compression() == Imf::NO_COMPRESSION;
    if (packed_size < 0 || (plain && static_cast<size_t>(packed_size) != size)) return false;
    const uint8_t* block = inflater.Unpack({packed, static_cast<size_t>(packed_size)}, size);
    if (block == nullptr) return false;
    for (int i = 0; i < count; ++i, block += layout.bytes) {
      for (size_t k = 0; k < rows.size(); ++k) {
        rows[k] = reinterpret_cast<const uint16_t*>(block + layout.offsets[k]);
      }
      use(y + i, rows);
    }
  }
  return true;
}

}  // namespace selvage::worker
