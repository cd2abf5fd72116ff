#include "worker/files/plate_reader.h"

#include <algorithm>
#include <cmath>
#include <exception>
#include <vector>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "proto/plate_channels.h"
#include "proto/status.h"
#include "worker/files/exr_halves.h"
#include "worker/files/opened_plate.h"
#include "worker/files/plate_file.h"
#include "worker/files/plate_metadata.h"
#include "worker/kernels/pixels/half.h"
#include "worker/kernels/pixels/transfer.h"
#include "worker/picture/window.h"

namespace selvage::worker {
namespace {

using OIIO::ImageSpec;

// Files of 9 to 15 bits come stretched to 16 by repeating their upper bits,
// which is not quite code / (2^bits - 1).
struct CodeScale {
  int bits = 0;  // 0: leave alone
  float operator()(float v) const {
    const int code = static_cast<int>(v * 65535.0f + 0.5f) >> (16 - bits);
    return static_cast<float>(code) / static_cast<float>((1 << bits) - 1);
  }
};

CodeScale ScaleOf(const ImageSpec& spec) {
  const int bits = spec.get_int_attribute("oiio:BitsPerSample", 0);
  return {spec.format == OIIO::TypeUInt16 && bits > 8 && bits < 16 ? bits : 0};
}

// As the header says in the decoder's words, else as is usual for the type.
Encoding EncodingOf(FileType type, const ImageSpec& spec) {
  switch (type) {
    case FileType::kExr:
      return ENCODING_LINEAR;
    case FileType::kDpx: {
      // SMPTE ST 268, table of transfer characteristics.
      const std::string said = spec.get_string_attribute("dpx:Transfer");
      if (said == "Linear") return ENCODING_LINEAR;
      for (const char* video : {"Unspecified video", "SMPTE 274M", "ITU-R 709", "ITU-R 601"}) {
        if (absl::StartsWith(said, video)) return ENCODING_BT709;
      }
      return ENCODING_PRINTING_DENSITY;
    }
    case FileType::kPng:
      // A gAMA of 1.
      return spec.get_string_attribute("oiio:ColorSpace") == "Linear" ? ENCODING_LINEAR : ENCODING_SRGB;
    case FileType::kTiff:
    case FileType::kJpeg:
      return ENCODING_SRGB;
  }
  return ENCODING_SRGB;
}

// Code values of one row to scene-linear light.
void DecodeColor(const PlateRead& read, float* const rgb[3], const float* alpha, size_t count) {
  const bool divide = read.alpha() == Plate::ASSOCIATED && read.encoding() != ENCODING_LINEAR;
  for (int c = 0; c < 3; ++c) {
    float* row = rgb[c];
    if (divide) {
      for (size_t i = 0; i < count; ++i) row[i] = alpha[i] > 0 ? row[i] / alpha[i] : row[i];
    }
    DecodeRow(read.encoding(), row, row, count);
    if (divide) {
      for (size_t i = 0; i < count; ++i) row[i] = alpha[i] > 0 ? row[i] * alpha[i] : row[i];
    }
  }
}

bool IsFinite(float v) { return std::isfinite(v); }
bool IsFinite(uint16_t half) { return (half & 0x7C00) != 0x7C00; }

template <class Sample>
uint64_t CountNotFinite(const Sample* row, size_t count) {
  uint64_t found = 0;
  for (size_t i = 0; i < count; ++i) found += !IsFinite(row[i]);
  return found;
}

// Scan lines of halves that are light already go straight into the plate. False if the file
// is of another sort: nothing of the plate counts then.
bool ReadHalves(const PlateRead& read, const PlateFile& file, const OpenedPlate& opened,
                const std::vector<int>& channels, const Rect& data, DecodedPlate* plate) {
  if (file.type != FileType::kExr || (plate->kind != MATTE && read.encoding() != ENCODING_LINEAR)) return false;
  const int part = static_cast<int>(read.part());
  std::vector<std::string> names;
  for (int channel : channels) names.push_back(opened.parts()[part].channelnames[channel]);
  const auto width = static_cast<size_t>(data.width()), stride = static_cast<size_t>(plate->window.width());
  const size_t first = (data.y0 - plate->window.y0) * stride + (data.x0 - plate->window.x0);
  uint64_t not_finite = 0;
  try {
    const bool read_all = ReadExrHalves(file.bytes, part, names, [&](int y, const std::vector<const uint16_t*>& rows) {
      for (size_t c = 0; c < rows.size(); ++c) {
        not_finite += CountNotFinite(rows[c], width);
        HalfToStored(rows[c], plate->channels[c].samples.data() + first + y * stride, width);
      }
    });
    if (read_all) plate->not_finite = not_finite;
    return read_all;
  } catch (const std::bad_alloc&) {
    throw;
  } catch (const std::exception&) {
    // The general reader finds the fault again, and names it.
    return false;
  }
}

// Light of one row of a block into the plate. `rows` are the block's own, and change.
void StoreRow(const PlateRead& read, const CodeScale& scale, const Rect& block, int y, std::vector<float*> rows,
              DecodedPlate* plate) {
  const auto width = static_cast<size_t>(block.width());
  for (const float* row : rows) plate->not_finite += CountNotFinite(row, width);
  if (scale.bits > 0) {
    for (float* row : rows) std::transform(row, row + width, row, scale);
  }
  if (plate->kind != MATTE) DecodeColor(read, rows.data(), rows.back(), width);
  const size_t at = static_cast<size_t>(y - plate->window.y0) * plate->window.width() + (block.x0 - plate->window.x0);
  for (size_t p = 0; p < rows.size(); ++p) FloatToStored(rows[p], plate->channels[p].samples.data() + at, width);
}

absl::StatusOr<DecodedPlate> DecodePlate(const PlateRead& read, const PlateFile& file, const Rect& format,
                                         const PlateLimits& limits) {
  ASSIGN_OR_RETURN(OpenedPlate opened, OpenedPlate::Open(file));
  const int part = static_cast<int>(read.part());
  if (read.part() >= opened.parts().size())
    return absl::InvalidArgumentError(absl::StrCat(read.path(), " has no part ", read.part()));
  auto found = FindPlateChannels(opened.Channels(part), read.layer(), read.alpha());
  if (!found.ok()) return absl::InvalidArgumentError(absl::StrCat(read.path(), " ", found.status().message()));
  std::vector<int> channels = found->color;
  if (found->alpha >= 0) channels.push_back(found->alpha);

  ASSIGN_OR_RETURN(const Rect data, opened.DataWindow(part));
  DecodedPlate plate;
  plate.kind = KindOf(read.alpha());
  plate.window = format.Union(data);
  const int64_t width = int64_t{plate.window.x1} - plate.window.x0, height = int64_t{plate.window.y1} - plate.window.y0;
  RETURN_IF_ERROR(CheckSize("data window together with the stack's format", width, height), Annotate(read.path()));
  RETURN_IF_ERROR(CheckDecodedSize(width, height, static_cast<int>(channels.size()), limits), Annotate(read.path()));
  plate.channels.resize(channels.size());
  for (DecodedPlate::Channel& channel : plate.channels) channel.samples.resize(plate.window.area());

  if (!ReadHalves(read, file, opened, channels, data, &plate)) {
    const CodeScale scale = ScaleOf(opened.parts()[part]);
    RETURN_IF_ERROR(opened.ReadBlocks(part, channels, [&](const Rect& block, std::vector<std::vector<float>>& samples) {
      for (int y = block.y0; y < block.y1; ++y) {
        std::vector<float*> rows;
        for (auto& channel : samples)
          rows.push_back(channel.data() + static_cast<size_t>(y - block.y0) * block.width());
        StoreRow(read, scale, block, y, std::move(rows), &plate);
      }
    }));
  }
  if (plate.kind == OPAQUE) plate.channels.push_back({1.0f, {}});
  return plate;
}

// Refuses what no task could decode, so that `check` says it and not the first frame.
absl::Status CheckParts(const OpenedPlate& opened, const PlateLimits& limits) {
  for (size_t i = 0; i < opened.parts().size(); ++i) {
    ASSIGN_OR_RETURN(const Rect data, opened.DataWindow(static_cast<int>(i)));
    const int channels = std::min(3, opened.parts()[i].nchannels);
    RETURN_IF_ERROR(CheckDecodedSize(data.width(), data.height(), channels, limits));
  }
  return absl::OkStatus();
}

// Runs `f`; what the libraries throw becomes a status.
template <class F>
auto WithoutExceptions(const std::string& path, F f) -> decltype(f()) {
  try {
    return f();
  } catch (const std::bad_alloc&) {
    return absl::ResourceExhaustedError(absl::StrCat(path, ": not enough memory to decode it"));
  } catch (const std::exception& e) {
    return Undecodable(path, e.what());
  }
}

}  // namespace

absl::StatusOr<DecodedPlate> ReadPlate(const PlateRead& read, const Rect& format, const PlateLimits& limits) {
  return WithoutExceptions(read.path(), [&]() -> absl::StatusOr<DecodedPlate> {
    ASSIGN_OR_RETURN(const PlateFile file, ReadPlateFile(read.path(), limits));
    if (file.digest.view() != read.digest()) {
      return absl::AbortedError(absl::StrCat("plate changed: ", read.path(), " is not the file that was planned with"));
    }
    return DecodePlate(read, file, format, limits);
  });
}

absl::StatusOr<PlateFacts> InspectPlateFile(const std::string& path, const PlateLimits& limits) {
  return WithoutExceptions(path, [&]() -> absl::StatusOr<PlateFacts> {
    ASSIGN_OR_RETURN(const PlateFile file, ReadPlateFile(path, limits));
    ASSIGN_OR_RETURN(const OpenedPlate opened, OpenedPlate::Open(file));
    RETURN_IF_ERROR(CheckParts(opened, limits), Annotate(path));
    PlateFacts facts;
    facts.set_digest(file.digest.str());
    facts.mutable_format()->set_width(static_cast<uint32_t>(opened.format_width()));
    facts.mutable_format()->set_height(static_cast<uint32_t>(opened.format_height()));
    for (int i = 0; i < static_cast<int>(opened.parts().size()); ++i) {
      PlateFacts::Part* part = facts.add_part();
      part->set_name(opened.PartName(i));
      for (const std::string& name : opened.Channels(i)) part->add_channel(name);
      ASSIGN_OR_RETURN(const Rect window, opened.DataWindow(i));
      *part->mutable_data_window() = ToWindow(window);
    }
    *facts.mutable_data_window() = facts.part(0).data_window();
    facts.set_size(file.size);
    facts.set_mtime_ns(file.mtime_ns);
    facts.set_inode(file.inode);
    facts.set_file_type(ReaderName(file.type));
    facts.set_encoding(EncodingOf(file.type, opened.parts()[0]));
    *facts.mutable_metadata() = MetadataOf(file.type, opened.parts()[0]);
    return facts;
  });
}

}  // namespace selvage::worker
