// Before OpenImageIO, whose own byte swaps break those of protobuf.
#include "worker/files/picture_file.h"

#include <OpenImageIO/imageio.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <exception>
#include <optional>

#include "absl/strings/str_cat.h"
#include "worker/files/image_library.h"

namespace selvage::worker {
namespace {

// Pixels to a unit: only the share of both numbers means something.
constexpr float kResolution = 1000;

OIIO::ImageSpec SpecOf(const Codes& codes, int bits, const std::string& color_space, const HeaderTexts& texts,
                       const FileMetadata& metadata) {
  OIIO::ImageSpec spec(codes.width, codes.height, codes.channels, bits == 8 ? OIIO::TypeUInt8 : OIIO::TypeUInt16);
  if (codes.channels == 1) {
    spec.channelnames = {"Y"};
    spec.alpha_channel = -1;
  }
  // Otherwise the library divides colour by alpha, in code values.
  spec["oiio:UnassociatedAlpha"] = 1;
  if (!color_space.empty()) spec["oiio:ColorSpace"] = color_space;
  spec["compression"] = "zip";
  // The library writes the time of day where there is none: other bytes each time.
  spec["DateTime"] = "";
  for (const auto& [name, value] : texts) spec[name] = value;
  if (metadata.has_pixel_aspect()) {
    // Wide pixels: fewer to the same width.
    spec["XResolution"] = kResolution;
    spec["YResolution"] = kResolution * metadata.pixel_aspect();
    spec["ResolutionUnit"] = "none";
    // The library's TIFF writer makes the second resolution from the first and this.
    spec["PixelAspectRatio"] = metadata.pixel_aspect();
  }
  return spec;
}

// A file without a name that lives in memory and goes with this object. The
// library's own memory output cannot do it for TIFF, whose writer reads back
// what it has written.
class MemoryFile {
 public:
  MemoryFile() : fd_(memfd_create("picture", MFD_CLOEXEC)) {}
  ~MemoryFile() {
    if (fd_ >= 0) close(fd_);
  }
  MemoryFile(const MemoryFile&) = delete;
  MemoryFile& operator=(const MemoryFile&) = delete;

  bool ok() const { return fd_ >= 0; }
  std::string path() const { return absl::StrCat("/proc/self/fd/", fd_); }
  // nullopt if it cannot be read.
  std::optional<std::string> Bytes() const {
    struct stat s;
    if (fstat(fd_, &s) != 0) return std::nullopt;
    std::string bytes(static_cast<size_t>(s.st_size), '\0');
    for (size_t done = 0; done < bytes.size();) {
      const ssize_t got = pread(fd_, bytes.data() + done, bytes.size() - done, static_cast<off_t>(done));
      if (got <= 0) return std::nullopt;
      done += static_cast<size_t>(got);
    }
    return bytes;
  }

 private:
  int fd_;
};

absl::StatusOr<std::string> Write(const std::string& format, const Codes& codes, int bits,
                                  const OIIO::ImageSpec& spec) {
  const MemoryFile file;
  auto out = OIIO::ImageOutput::create(format);
  if (!out || !file.ok()) return absl::UnavailableError(absl::StrCat("cannot write ", format, " to memory"));
  bool written = out->open(file.path(), spec);
  if (bits == 8) {
    const std::vector<uint8_t> narrow(codes.samples.begin(), codes.samples.end());
    written = written && out->write_image(OIIO::TypeUInt8, narrow.data());
  } else {
    written = written && out->write_image(OIIO::TypeUInt16, codes.samples.data());
  }
  written = written && out->close();
  if (!written) return absl::InternalError(absl::StrCat("writing ", format, ": ", out->geterror()));
  std::optional<std::string> bytes = file.Bytes();
  if (!bytes) return absl::UnavailableError(absl::StrCat("the written ", format, " could not be read back"));
  return *std::move(bytes);
}

}  // namespace

absl::StatusOr<std::string> WriteIntegerFile(const std::string& format, const Codes& codes, int bits,
                                             const std::string& color_space, const HeaderTexts& texts,
                                             const FileMetadata& metadata) {
  ConfigureImageLibrary();
  try {
    return Write(format, codes, bits, SpecOf(codes, bits, color_space, texts, metadata));
  } catch (const std::exception& e) {
    return absl::InternalError(absl::StrCat("writing ", format, ": ", e.what()));
  }
}

void QuantiseRow(const float* in, int most, uint16_t* out, ptrdiff_t out_step, size_t count) {
  const float scale = static_cast<float>(most);
  for (size_t i = 0; i < count; ++i) {
    const float v = in[i] > 0.0f ? in[i] : 0.0f;
    out[static_cast<ptrdiff_t>(i) * out_step] = static_cast<uint16_t>((v < 1.0f ? v : 1.0f) * scale + 0.5f);
  }
}

}  // namespace selvage::worker
