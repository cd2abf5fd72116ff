#include "worker/files/plate_metadata.h"

#include <cmath>

namespace selvage::worker {
namespace {

// Nobody films with wider or narrower pixels.
constexpr float kWidestPixel = 16;
constexpr size_t kLongestReel = 200;

void AddAspect(const OIIO::ImageSpec& spec, FileMetadata* to) {
  const float x = spec.get_float_attribute("XResolution"), y = spec.get_float_attribute("YResolution");
  float aspect = spec.get_float_attribute("PixelAspectRatio", x > 0 && y > 0 ? y / x : 1);
  // Resolutions are given in whole numbers or thousandths.
  if (!(aspect >= 1 / kWidestPixel && aspect <= kWidestPixel) || std::abs(aspect - 1) < 1e-4f) return;
  to->set_pixel_aspect(aspect);
}

void AddTimecode(FileType type, const OIIO::ImageSpec& spec, FileMetadata* to) {
  const auto* found = spec.find_attribute("smpte:TimeCode");
  if (found == nullptr || found->type().size() != 2 * sizeof(uint32_t)) return;
  const auto* words = static_cast<const uint32_t*>(found->data());
  // All bits set is how DPX says that there is none.
  if (type == FileType::kDpx && words[0] == 0xFFFFFFFF) return;
  to->set_timecode(words[0]);
  to->set_timecode_user(type == FileType::kDpx && words[1] == 0xFFFFFFFF ? 0 : words[1]);
}

void SetRate(int64_t numerator, int64_t denominator, FileMetadata* to) {
  if (numerator <= 0 || denominator <= 0 || numerator > INT32_MAX || denominator > INT32_MAX) return;
  to->set_rate_numerator(static_cast<uint32_t>(numerator));
  to->set_rate_denominator(static_cast<uint32_t>(denominator));
}

// DPX holds it as a decimal number: 23.976 is 24000/1001.
void SetRate(double rate, FileMetadata* to) {
  if (!(rate >= 0.001 && rate <= 100'000)) return;
  const double whole = std::round(rate), slowed = std::round(rate * 1.001);
  if (std::abs(rate - whole) < 1e-4) return SetRate(static_cast<int64_t>(whole), 1, to);
  if (std::abs(rate - slowed / 1.001) < 1e-2) return SetRate(static_cast<int64_t>(slowed) * 1000, 1001, to);
  SetRate(static_cast<int64_t>(std::round(rate * 1000)), 1000, to);
}

void AddRate(const OIIO::ImageSpec& spec, FileMetadata* to) {
  const auto* found = spec.find_attribute("FramesPerSecond");
  if (found != nullptr && found->type().size() == 2 * sizeof(int32_t)) {
    const auto* parts = static_cast<const int32_t*>(found->data());
    return SetRate(parts[0], parts[1], to);
  }
  for (const char* name : {"dpx:TemporalFrameRate", "dpx:FrameRate"}) {
    if (spec.find_attribute(name) != nullptr) return SetRate(double{spec.get_float_attribute(name)}, to);
  }
}

void AddChromaticities(const OIIO::ImageSpec& spec, FileMetadata* to) {
  const auto* found = spec.find_attribute("chromaticities");
  if (found == nullptr || found->type().basetype != OIIO::TypeDesc::FLOAT ||
      found->type().size() != 8 * sizeof(float)) {
    return;
  }
  const auto* values = static_cast<const float*>(found->data());
  for (int i = 0; i < 8; ++i) {
    if (!(std::abs(values[i]) <= 10)) return;
  }
  to->mutable_chromaticity()->Add(values, values + 8);
}

}  // namespace

FileMetadata MetadataOf(FileType type, const OIIO::ImageSpec& spec) {
  FileMetadata metadata;
  AddAspect(spec, &metadata);
  AddTimecode(type, spec, &metadata);
  AddRate(spec, &metadata);
  AddChromaticities(spec, &metadata);
  const std::string reel = spec.get_string_attribute("reelName");
  if (reel.size() <= kLongestReel) metadata.set_reel(reel);
  if (type == FileType::kExr) {
    metadata.set_origin_x(spec.full_x);
    metadata.set_origin_y(spec.full_y);
  }
  return metadata;
}

}  // namespace selvage::worker
