#include "worker/files/opened_plate.h"

#include <algorithm>
#include <cstdlib>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/files/image_library.h"

namespace selvage::worker {
namespace {

using OIIO::ImageInput;
using OIIO::ImageSpec;

// Floats of a block; the decoder holds about as much again.
constexpr int64_t kBlockFloats = int64_t{4} << 20;
// Rows that most OpenEXR compressions pack together, and those that DWAB does.
constexpr int kFewestRows = 32, kMostRows = 256;
// A file may hold thousands: their names travel to the daemon.
constexpr size_t kMostParts = 256;
constexpr size_t kMostChannels = 4096;

// The library's messages may have many lines; people need the first.
std::string FirstLine(const std::string& text) {
  const std::string line = text.substr(0, text.find('\n'));
  return line.empty() ? "the decoder gives no reason" : line;
}

std::string Printable(std::string name) {
  for (char& c : name) {
    if (c < ' ' || c > '~') c = '?';
  }
  return name;
}

absl::Status CheckParts(const std::vector<ImageSpec>& parts) {
  size_t channels = 0;
  for (const ImageSpec& part : parts) {
    if (part.deep) return absl::InvalidArgumentError("deep images are not supported");
    channels += part.channelnames.size();
  }
  if (parts.size() <= kMostParts && channels <= kMostChannels) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("it has ", parts.size(), " parts with ", channels,
                                                 " channels; at most ", kMostParts, " parts and ", kMostChannels,
                                                 " channels are supported"));
}

// Side of the blocks that a part is read in.
int BlockRows(const ImageSpec& spec, size_t channels) {
  if (spec.tile_height > 0) return spec.tile_height;
  if (spec.get_string_attribute("compression").rfind("dwab", 0) == 0) return kMostRows;
  const int64_t rows = kBlockFloats / (int64_t{spec.width} * static_cast<int64_t>(channels));
  return static_cast<int>(std::clamp<int64_t>(rows / kFewestRows * kFewestRows, kFewestRows, kMostRows));
}
int BlockColumns(const ImageSpec& spec, size_t channels) {
  if (spec.tile_width <= 0) return spec.width;
  const int64_t columns = kBlockFloats / (int64_t{spec.tile_height} * static_cast<int64_t>(channels));
  return static_cast<int>(std::clamp<int64_t>(columns / spec.tile_width, 1, spec.width) * spec.tile_width);
}

// Neighbouring channels, which are read in one go: first to last - 1.
std::vector<std::pair<int, int>> RunsOf(std::vector<int> channels) {
  std::sort(channels.begin(), channels.end());
  std::vector<std::pair<int, int>> runs;
  for (int c : channels) {
    if (!runs.empty() && c <= runs.back().second) {
      runs.back().second = std::max(runs.back().second, c + 1);
    } else {
      runs.emplace_back(c, c + 1);
    }
  }
  return runs;
}

}  // namespace

absl::Status Undecodable(const std::string& path, const std::string& reason) {
  return absl::InvalidArgumentError(absl::StrCat(path, " is damaged or cut short: ", FirstLine(reason)));
}

absl::StatusOr<OpenedPlate> OpenedPlate::Open(const PlateFile& file) {
  ConfigureImageLibrary();
  OpenedPlate o;
  o.file_ = &file;
  o.reader_ = std::make_unique<OIIO::Filesystem::IOMemReader>(const_cast<char*>(file.bytes.data()), file.bytes.size());
  o.input_ = ImageInput::create(ReaderName(file.type));
  if (!o.input_)
    return absl::InternalError(absl::StrCat("no decoder for ", ReaderName(file.type), ": ", OIIO::geterror()));
  if (!o.input_->supports("ioproxy")) {
    return absl::InternalError(absl::StrCat("the ", ReaderName(file.type), " decoder cannot read from memory"));
  }
  ImageSpec config, spec;
  // Otherwise straight alpha is multiplied in, in code values.
  config["oiio:UnassociatedAlpha"] = 1;
  o.input_->set_ioproxy(o.reader_.get());
  if (!o.input_->open(file.path, spec, config)) return Undecodable(file.path, o.input_->geterror());
  o.parts_.push_back(spec);
  if (file.type == FileType::kExr) {
    while (o.parts_.size() <= kMostParts && o.input_->seek_subimage(static_cast<int>(o.parts_.size()), 0)) {
      o.parts_.push_back(o.input_->spec());
    }
    // There is no next part: not a fault.
    (void)o.input_->geterror();
  }
  RETURN_IF_ERROR(CheckParts(o.parts_), Annotate(file.path));
  return o;
}

std::vector<std::string> OpenedPlate::Channels(int part) const {
  std::vector<std::string> names;
  for (const std::string& name : parts_[part].channelnames) names.push_back(Printable(name));
  return names;
}

std::string OpenedPlate::PartName(int part) const {
  return Printable(parts_[part].get_string_attribute("oiio:subimagename"));
}

absl::StatusOr<Rect> OpenedPlate::DataWindow(int part) const {
  const ImageSpec& s = parts_[part];
  RETURN_IF_ERROR(CheckSize("picture", s.width, s.height), Annotate(file_->path));
  if (file_->type != FileType::kExr) return Rect{0, 0, s.width, s.height};
  const int64_t x = int64_t{s.x} - s.full_x, y = int64_t{s.y} - s.full_y;
  if (std::max(std::abs(x), std::abs(y)) > (int64_t{1} << 24)) {
    return absl::InvalidArgumentError(
        absl::StrCat(file_->path, ": its data window lies too far from its display window"));
  }
  const int left = static_cast<int>(x), top = static_cast<int>(y);
  return Rect{left, top, left + s.width, top + s.height};
}

int OpenedPlate::format_width() const { return file_->type == FileType::kExr ? parts_[0].full_width : parts_[0].width; }
int OpenedPlate::format_height() const {
  return file_->type == FileType::kExr ? parts_[0].full_height : parts_[0].height;
}

// Channels first..last - 1 interleaved over a block, counted from the top left of the
// data window.
absl::Status OpenedPlate::ReadBlock(int part, const Rect& block, int first, int last, float* to) {
  const ImageSpec& s = parts_[part];
  const int y0 = s.y + block.y0, y1 = s.y + block.y1;
  const bool read = s.tile_width == 0 ? input_->read_scanlines(part, 0, y0, y1, s.z, first, last, OIIO::TypeFloat, to)
                                      : input_->read_tiles(part, 0, s.x + block.x0, s.x + block.x1, y0, y1, s.z,
                                                           s.z + 1, first, last, OIIO::TypeFloat, to);
  return read ? absl::OkStatus() : Undecodable(file_->path, input_->geterror());
}

absl::Status OpenedPlate::ReadBlocks(int part, const std::vector<int>& channels, const UseBlock& use) {
  const ImageSpec& s = parts_[part];
  ASSIGN_OR_RETURN(const Rect window, DataWindow(part));
  const std::vector<std::pair<int, int>> runs = RunsOf(channels);
  const int rows = BlockRows(s, channels.size()), columns = BlockColumns(s, channels.size());
  std::vector<float> interleaved;
  std::vector<std::vector<float>> samples(channels.size());
  for (int y = 0; y < s.height; y += rows) {
    for (int x = 0; x < s.width; x += columns) {
      const Rect block{x, y, std::min(x + columns, s.width), std::min(y + rows, s.height)};
      for (const auto& [first, last] : runs) {
        const size_t step = static_cast<size_t>(last - first);
        interleaved.resize(block.area() * step);
        RETURN_IF_ERROR(ReadBlock(part, block, first, last, interleaved.data()));
        for (size_t i = 0; i < channels.size(); ++i) {
          if (channels[i] < first || channels[i] >= last) continue;
          samples[i].resize(block.area());
          const float* from = interleaved.data() + (channels[i] - first);
          for (size_t k = 0; k < samples[i].size(); ++k) samples[i][k] = from[k * step];
        }
      }
      use({window.x0 + block.x0, window.y0 + block.y0, window.x0 + block.x1, window.y0 + block.y1}, samples);
    }
  }
  // Some decoders go on over damage and only leave a note.
  if (input_->has_error()) return Undecodable(file_->path, input_->geterror());
  return absl::OkStatus();
}

}  // namespace selvage::worker
