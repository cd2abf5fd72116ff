#include "server/plan/file_type.h"

#include "absl/strings/match.h"

namespace selvage::plan {

std::optional<DeliverFile::FileType> FileTypeOf(const std::string& files) {
  if (absl::EndsWithIgnoreCase(files, ".exr")) return DeliverFile::EXR;
  if (absl::EndsWithIgnoreCase(files, ".dpx")) return DeliverFile::DPX;
  if (absl::EndsWithIgnoreCase(files, ".tif") || absl::EndsWithIgnoreCase(files, ".tiff")) return DeliverFile::TIFF;
  if (absl::EndsWithIgnoreCase(files, ".png")) return DeliverFile::PNG;
  return std::nullopt;
}

Encoding DefaultEncoding(DeliverFile::FileType type) {
  switch (type) {
    case DeliverFile::EXR:
      return ENCODING_LINEAR;
    case DeliverFile::DPX:
      return ENCODING_PRINTING_DENSITY;
    default:
      return ENCODING_SRGB;
  }
}

}  // namespace selvage::plan
