#include "worker/files/picture_file.h"

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfIO.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>

#include <cstring>
#include <exception>

#include "absl/strings/str_cat.h"
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

// The plane over the data window, as halves.
std::vector<uint16_t> HalvesOf(const Plane& plane, const Rect& window) {
  std::vector<uint16_t> halves(window.area(), 0);
  const Rect part = plane.rect().Intersect(window);
  if (part.empty()) return halves;
  for (int y = part.y0; y < part.y1; ++y) {
    uint16_t* to = halves.data() + static_cast<size_t>(y - window.y0) * window.width() + (part.x0 - window.x0);
    FloatToStored(plane.row(y) + (part.x0 - plane.rect().x0), to, static_cast<size_t>(part.width()));
  }
  return halves;
}

Rect Moved(const Rect& r, const FileMetadata& by) {
  return {r.x0 + by.origin_x(), r.y0 + by.origin_y(), r.x1 + by.origin_x(), r.y1 + by.origin_y()};
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

std::string Write(const Rect& display, const Rect& data, const std::vector<ExrChannel>& channels,
                  const HeaderTexts& texts, const FileMetadata& metadata) {
  Imf::Header header(BoxOf(Moved(display, metadata)), BoxOf(Moved(data, metadata)));
  PutMetadata(metadata, &header);
  header.compression() = Imf::ZIP_COMPRESSION;
  for (const auto& [name, value] : texts) header.insert(name, Imf::StringAttribute(value));
  Imf::FrameBuffer frame;
  std::vector<std::vector<uint16_t>> halves;
  for (const ExrChannel& c : channels) {
    header.channels().insert(c.name, Imf::Channel(Imf::HALF));
    halves.push_back(HalvesOf(c.plane, data));
    frame.insert(c.name, Imf::Slice::Make(Imf::HALF, halves.back().data(), header.dataWindow(), sizeof(uint16_t),
                                          sizeof(uint16_t) * static_cast<size_t>(data.width())));
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

}  // namespace

absl::StatusOr<std::string> WriteExr(const Rect& display_window, const Rect& data_window,
                                     const std::vector<ExrChannel>& channels, const HeaderTexts& texts,
                                     const FileMetadata& metadata) {
  try {
    return Write(display_window, data_window, channels, texts, metadata);
  } catch (const std::exception& e) {
    return absl::InternalError(absl::StrCat("the OpenEXR library refused the picture: ", e.what()));
  }
}

}  // namespace selvage::worker
