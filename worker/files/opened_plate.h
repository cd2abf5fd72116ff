// A plate file under its decoder, read in blocks.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "worker/files/plate_file.h"
#include "worker/picture/image.h"

// After protobuf, whose byte swaps it would break.
#include <OpenImageIO/filesystem.h>
#include <OpenImageIO/imageio.h>

namespace selvage::worker {

// "PATH is damaged or cut short: REASON".
absl::Status Undecodable(const std::string& path, const std::string& reason);

class OpenedPlate {
 public:
  // The decoder reads from `file.bytes`, which must outlive this.
  // Errors: INVALID_ARGUMENT, with the path.
  static absl::StatusOr<OpenedPlate> Open(const PlateFile& file);

  // Parts of the file: one for all types but OpenEXR.
  const std::vector<OIIO::ImageSpec>& parts() const { return parts_; }
  // Names of a part's channels. What is no ASCII is "?": messages carry names.
  std::vector<std::string> Channels(int part) const;
  std::string PartName(int part) const;
  // Where a part has pixels, counted from the top left of the display window.
  // Errors: INVALID_ARGUMENT it is too large, or lies too far away.
  absl::StatusOr<Rect> DataWindow(int part) const;
  int format_width() const;
  int format_height() const;

  // Calls use(rect, samples) for blocks that cover the data window of a part: samples[i]
  // are those of channel channels[i] over rect, row by row, and may be changed. Only
  // these channels are copied, and no more than a few MiB at a time where the format
  // allows.
  using UseBlock = std::function<void(const Rect& rect, std::vector<std::vector<float>>& samples)>;
  absl::Status ReadBlocks(int part, const std::vector<int>& channels, const UseBlock& use);

 private:
  absl::Status ReadBlock(int part, const Rect& block, int first, int last, float* to);

  const PlateFile* file_ = nullptr;
  std::unique_ptr<OIIO::Filesystem::IOMemReader> reader_;
  std::unique_ptr<OIIO::ImageInput> input_;
  std::vector<OIIO::ImageSpec> parts_;
};

}  // namespace selvage::worker
