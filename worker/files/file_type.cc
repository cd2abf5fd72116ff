#include "worker/files/file_type.h"

#include "absl/status/status.h"
#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"

namespace selvage::worker {

std::optional<FileType> TypeByContent(std::string_view b) {
  auto starts = [&](std::string_view magic) { return b.substr(0, magic.size()) == magic; };
  using namespace std::literals;
  if (starts("\x76\x2f\x31\x01"sv)) return FileType::kExr;
  if (starts("SDPX"sv) || starts("XPDS"sv)) return FileType::kDpx;
  if (starts("\x89PNG\r\n\x1a\n"sv)) return FileType::kPng;
  if (starts("\xff\xd8\xff"sv)) return FileType::kJpeg;
  // Classic and big TIFF, either byte order.
  if (starts("II*\0"sv) || starts("MM\0*"sv) || starts("II+\0"sv) || starts("MM\0+"sv)) return FileType::kTiff;
  return std::nullopt;
}

std::optional<FileType> TypeByName(const std::string& path) {
  const size_t dot = path.find_last_of("./");
  if (dot == std::string::npos || path[dot] == '/') return std::nullopt;
  const std::string ending = absl::AsciiStrToLower(path.substr(dot + 1));
  if (ending == "exr") return FileType::kExr;
  if (ending == "dpx") return FileType::kDpx;
  if (ending == "tif" || ending == "tiff") return FileType::kTiff;
  if (ending == "png") return FileType::kPng;
  if (ending == "jpg" || ending == "jpeg") return FileType::kJpeg;
  return std::nullopt;
}

const char* TypeName(FileType type) {
  switch (type) {
    case FileType::kExr:
      return "an OpenEXR";
    case FileType::kDpx:
      return "a DPX";
    case FileType::kTiff:
      return "a TIFF";
    case FileType::kPng:
      return "a PNG";
    case FileType::kJpeg:
      return "a JPEG";
  }
  return "an unknown";
}

const char* ReaderName(FileType type) {
  switch (type) {
    case FileType::kExr:
      return "openexr";
    case FileType::kDpx:
      return "dpx";
    case FileType::kTiff:
      return "tiff";
    case FileType::kPng:
      return "png";
    case FileType::kJpeg:
      return "jpeg";
  }
  return "";
}

absl::Status CheckSize(std::string_view what, int64_t width, int64_t height) {
  const absl::string_view name(what.data(), what.size());
  if (width <= 0 || height <= 0) {
    return absl::InvalidArgumentError(absl::StrCat("its ", name, " is empty (", width, " x ", height, " pixels)"));
  }
  if (width > kMaxSide || height > kMaxSide) {
    return absl::InvalidArgumentError(
        absl::StrCat("its ", name, " is ", width, " x ", height, " pixels; a side is at most ", kMaxSide));
  }
  if (width * height > kMaxPixels) {
    return absl::InvalidArgumentError(absl::StrCat("its ", name, " is ", width, " x ", height, " pixels; at most ",
                                                   kMaxPixels, " in all are supported"));
  }
  return absl::OkStatus();
}

}  // namespace selvage::worker
