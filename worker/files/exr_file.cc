#include "worker/files/picture_file.h"

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfIO.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <OpenEXR/ImfVersion.h>

#include <algorithm>
#include <bit>
#include <cstring>
#include <exception>

#include "absl/strings/str_cat.h"
#include "worker/files/exr_zip.h"
#include "worker/kernels/pixels/half.h"

namespace selvage::worker {
namespace {

// Collects what the library writes; it goes back to fill in the line table.
class MemoryStream final : public Imf::OStream {
 public:
  MemoryStream() : OStream("memory") {}
  void write(const char bytes[], int count) override {
    const size_t end = at_ + static_cast<size_t>(count);
    if (end > bytes_.size()) bytes_.resize(end);
    std::memcpy(bytes_.data() + at_, bytes, static_cast<size_t>(count));
    at_ = end;
  }
  uint64_t tellp() override { return at_; }
  void seekp(uint64_t at) override { at_ = at; }
  std::string Take() { return std::move(bytes_); }

 private:
  std::string bytes_;
  size_t at_ = 0;
};

Imath::Box2i BoxOf(const Rect& r) { return {{r.x0, r.y0}, {r.x1 - 1, r.y1 - 1}}; }

Rect Moved(const Rect& r, const FileMetadata& by) {
  return {r.x0 + by.origin_x(), r.y0 + by.origin_y(), r.x1 + by.origin_x(), r.y1 + by.origin_y()};
}

Imf::Compression CompressionOf(Compression compression) {
  switch (compression) {
    case COMPRESSION_ZIPS:
      return Imf::ZIPS_COMPRESSION;
    case COMPRESSION_PIZ:
      return Imf::PIZ_COMPRESSION;
    case COMPRESSION_NONE:
      return Imf::NO_COMPRESSION;
    case COMPRESSION_LOSSY_DWAA:
      return Imf::DWAA_COMPRESSION;
    default:
      return Imf::ZIP_COMPRESSION;
  }
}

void PutMetadata(const FileMetadata& m, Imf::Header* header) {
  if (m.has_pixel_aspect()) header->pixelAspectRatio() = m.pixel_aspect();
  if (m.has_timecode()) Imf::addTimeCode(*header, Imf::TimeCode(m.timecode(), m.timecode_user()));
  if (m.rate_denominator() > 0) {
    Imf::addFramesPerSecond(*header, Imf::Rational(static_cast<int>(m.rate_numerator()), m.rate_denominator()));
  }
  if (m.chromaticity_size() == 8) {
    const auto at = [&](int i) { return Imath::V2f(m.chromaticity(2 * i), m.chromaticity(2 * i + 1)); };
    Imf::addChromaticities(*header, Imf::Chromaticities(at(0), at(1), at(2), at(3)));
  }
  if (!m.reel().empty()) header->insert("reelName", Imf::StringAttribute(m.reel()));
}

// ---- what is packed here: scan lines, 16 or one at a time ----

// Some lines of the data window as the file has them: line by line, in each the channels by
// name. Where a plane has no pixels they are zero.
void FillBlock(const std::vector<const ExrChannel*>& channels, const Rect& lines, std::vector<uint16_t>* block) {
  const size_t width = static_cast<size_t>(lines.width());
  block->resize(lines.area() * channels.size());
  uint16_t* to = block->data();
  for (int y = lines.y0; y < lines.y1; ++y) {
    for (const ExrChannel* channel : channels) {
      const Plane& plane = channel->plane;
      const Rect part = plane.rect().Intersect({lines.x0, y, lines.x1, y + 1});
      if (part.width() < lines.width() || part.empty()) std::fill_n(to, width, uint16_t{0});
      if (!part.empty()) {
        FloatToStored(plane.row(y) + (part.x0 - plane.rect().x0), to + (part.x0 - lines.x0),
                      static_cast<size_t>(part.width()));
      }
      to += width;
    }
  }
}

void PutNumber(uint64_t value, size_t bytes, std::string* to) {
  static_assert(std::endian::native == std::endian::little, "numbers lie in the file as they do in memory");
  to->append(reinterpret_cast<const char*>(&value), bytes);
}

bool HasLongName(const std::vector<const ExrChannel*>& channels) {
  return std::any_of(channels.begin(), channels.end(), [](const ExrChannel* c) { return c->name.size() > 31; });
}

// OpenEXR file layout, one part of scan lines: magic number, version, header, where each
// block begins, and the blocks, each after its first line and its length.
std::string WriteBlocks(const Imf::Header& header, const Rect& data, const std::vector<const ExrChannel*>& channels) {
  const bool packs = header.compression() != Imf::NO_COMPRESSION;
  const int lines = header.compression() == Imf::ZIP_COMPRESSION ? 16 : 1;
  MemoryStream stream;
  header.writeTo(stream);
  std::string file;
  file.reserve(data.area() * channels.size() * sizeof(uint16_t));
  PutNumber(Imf::MAGIC, 4, &file);
  PutNumber(static_cast<uint32_t>(Imf::EXR_VERSION | (HasLongName(channels) ? Imf::LONG_NAMES_FLAG : 0)), 4, &file);
  file += stream.Take();
  size_t table = file.size();
  file.resize(table + sizeof(uint64_t) * static_cast<size_t>((data.height() + lines - 1) / lines));

  std::vector<uint16_t> block;
  ExrDeflater deflater;
  for (int y = data.y0; y < data.y1; y += lines, table += sizeof(uint64_t)) {
    FillBlock(channels, {data.x0, y, data.x1, std::min(y + lines, data.y1)}, &block);
    const auto* plain = reinterpret_cast<const uint8_t*>(block.data());
    const size_t size = block.size() * sizeof(uint16_t);
    const std::string_view packed =
        packs ? deflater.Pack(plain, size) : std::string_view(reinterpret_cast<const char*>(plain), size);
    const uint64_t begin = file.size();
    std::memcpy(file.data() + table, &begin, sizeof begin);
    PutNumber(static_cast<uint32_t>(header.dataWindow().min.y + (y - data.y0)), 4, &file);
    PutNumber(packed.size(), 4, &file);
    file += packed;
  }
  return file;
}

// ---- what the library packs ----

std::string WriteByLibrary(const Imf::Header& header, const Rect& data,
                           const std::vector<const ExrChannel*>& channels) {
  std::vector<uint16_t> halves;
  FillBlock(channels, data, &halves);
  const size_t width = static_cast<size_t>(data.width());
  Imf::FrameBuffer frame;
  for (size_t c = 0; c < channels.size(); ++c) {
    frame.insert(channels[c]->name, Imf::Slice::Make(Imf::HALF, halves.data() + c * width, header.dataWindow(),
                                                     sizeof(uint16_t), sizeof(uint16_t) * width * channels.size()));
  }
  MemoryStream stream;
  {
    // 0: compressed in this thread.
    Imf::OutputFile file(stream, header, 0);
    file.setFrameBuffer(frame);
    file.writePixels(data.height());
  }
  return stream.Take();
}

std::string Write(const Rect& display, const Rect& data, const std::vector<ExrChannel>& channels,
                  const HeaderTexts& texts, const FileMetadata& metadata, Compression compression) {
  Imf::Header header(BoxOf(Moved(display, metadata)), BoxOf(Moved(data, metadata)));
  PutMetadata(metadata, &header);
  header.compression() = CompressionOf(compression);
  for (const auto& [name, value] : texts) header.insert(name, Imf::StringAttribute(value));
  std::vector<const ExrChannel*> by_name;
  for (const ExrChannel& c : channels) {
    header.channels().insert(c.name, Imf::Channel(Imf::HALF));
    by_name.push_back(&c);
  }
  header.sanityCheck();
  std::sort(by_name.begin(), by_name.end(), [](const auto* a, const auto* b) { return a->name < b->name; });
  const bool ours =
      compression == COMPRESSION_ZIP || compression == COMPRESSION_ZIPS || compression == COMPRESSION_NONE;
  return ours ? WriteBlocks(header, data, by_name) : WriteByLibrary(header, data, by_name);
}

}  // namespace

absl::StatusOr<std::string> WriteExr(const Rect& display_window, const Rect& data_window,
                                     const std::vector<ExrChannel>& channels, const HeaderTexts& texts,
                                     const FileMetadata& metadata, Compression compression) {
  try {
    return Write(display_window, data_window, channels, texts, metadata, compression);
  } catch (const std::exception& e) {
    return absl::InternalError(absl::StrCat("the OpenEXR library refused the picture: ", e.what()));
  }
}

}  // namespace selvage::worker
