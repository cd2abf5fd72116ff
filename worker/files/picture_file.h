// Pictures to the bytes of a file, in memory. Deterministic: no dates, no host
// names; the same picture gives the same bytes.
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"
#include "proto/values.pb.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// Text for the header: name, value.
using HeaderTexts = std::vector<std::pair<std::string, std::string>>;

struct ExrChannel {
  std::string name;
  // Where it has no pixels inside the data window, it is zero.
  Plane plane;
};

// OpenEXR: half, scan lines. Samples as they are stored in the cache: no
// NaN, no infinity. Both windows are moved to the metadata's origin.
// REQUIRES: channel names differ, windows not empty.
absl::StatusOr<std::string> WriteExr(const Rect& display_window, const Rect& data_window,
                                     const std::vector<ExrChannel>& channels, const HeaderTexts& texts,
                                     const FileMetadata& metadata = {}, Compression compression = COMPRESSION_ZIP);

// Interleaved integer samples, rows top down.
struct Codes {
  int width = 0, height = 0;
  // 1 grey, 3 R G B, 4 R G B A (not multiplied).
  int channels = 0;
  std::vector<uint16_t> samples;
};

// SMPTE ST 268 version 2.0, big-endian, 10 bits filled method A, R G B.
// `transfer` and `colorimetric` are codes of the standard's tables.
struct DpxHeader {
  uint8_t transfer = 0;
  uint8_t colorimetric = 0;
  std::string creator;
  std::string project;
  // Pixel aspect, time code and frame rate are written.
  FileMetadata metadata;
};
// REQUIRES: 3 channels, samples 0..1023.
std::string WriteDpx(const Codes& codes, const DpxHeader& header);

// "png" or "tiff", of 8 or 16 bits. color_space is OpenImageIO's name, or "". Of the
// metadata the pixel aspect is written.
absl::StatusOr<std::string> WriteIntegerFile(const std::string& format, const Codes& codes, int bits,
                                             const std::string& color_space, const HeaderTexts& texts,
                                             const FileMetadata& metadata = {});

// 0..1 to 0..most, rounded to nearest; NaN gives 0.
void QuantiseRow(const float* in, int most, uint16_t* out, ptrdiff_t out_step, size_t count);

}  // namespace selvage::worker
