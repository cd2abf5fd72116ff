#include "worker/files/plate_reader.h"

#include <OpenImageIO/filesystem.h>
#include <OpenImageIO/imageio.h>

#include <algorithm>
#include <cmath>
#include <exception>
#include <memory>
#include <vector>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "proto/status.h"
#include "worker/files/image_library.h"
#include "worker/files/plate_file.h"
#include "worker/kernels/pixels/half.h"
#include "worker/kernels/pixels/transfer.h"
#include "worker/picture/window.h"

namespace selvage::worker {
namespace {

using OIIO::ImageInput;
using OIIO::ImageSpec;

// Rows decoded at a time: a multiple of every OpenEXR block height.
constexpr int kRowsAtOnce = 256;

// The library's messages may have many lines; people need the first.
std::string FirstLine(const std::string& text) {
  const std::string line = text.substr(0, text.find('\n'));
  return line.empty() ? "the decoder gives no reason" : line;
}

absl::Status Undecodable(const std::string& path, const std::string& reason) {
  return absl::InvalidArgumentError(absl::StrCat(path, " is damaged or cut short: ", FirstLine(reason)));
}

// An opened file: the decoder reads from `file.bytes`, so this must not outlive it.
struct Opened {
  std::unique_ptr<OIIO::Filesystem::IOMemReader> reader;
  std::unique_ptr<ImageInput> input;
  ImageSpec spec;
  Rect data_window;  // relative to the display window
  int format_width = 0, format_height = 0;
};

absl::StatusOr<Opened> Open(const PlateFile& file) {
  ConfigureImageLibrary();
  Opened o;
  o.reader = std::make_unique<OIIO::Filesystem::IOMemReader>(const_cast<char*>(file.bytes.data()), file.bytes.size());
  o.input = ImageInput::create(ReaderName(file.type));
  if (!o.input)
    return absl::InternalError(absl::StrCat("no decoder for ", ReaderName(file.type), ": ", OIIO::geterror()));
  if (!o.input->supports("ioproxy")) {
    return absl::InternalError(absl::StrCat("the ", ReaderName(file.type), " decoder cannot read from memory"));
  }
  ImageSpec config;
  // Otherwise straight alpha is multiplied in, in code values.
  config["oiio:UnassociatedAlpha"] = 1;
  o.input->set_ioproxy(o.reader.get());
  if (!o.input->open(file.path, o.spec, config)) return Undecodable(file.path, o.input->geterror());
  const ImageSpec& s = o.spec;
  if (s.deep) return absl::InvalidArgumentError(absl::StrCat(file.path, ": it holds deep pixels, which are not taken"));
  RETURN_IF_ERROR(CheckSize("picture", s.width, s.height), Annotate(file.path));
  if (file.type == FileType::kExr) {
    const int64_t x = int64_t{s.x} - s.full_x, y = int64_t{s.y} - s.full_y;
    if (std::max(std::abs(x), std::abs(y)) > (int64_t{1} << 24)) {
      return absl::InvalidArgumentError(
          absl::StrCat(file.path, ": its data window lies too far from its display window"));
    }
    o.data_window = {static_cast<int>(x), static_cast<int>(y), static_cast<int>(x) + s.width,
                     static_cast<int>(y) + s.height};
    o.format_width = s.full_width;
    o.format_height = s.full_height;
  } else {
    o.data_window = {0, 0, s.width, s.height};
    o.format_width = s.width;
    o.format_height = s.height;
  }
  return o;
}

int FindChannel(const ImageSpec& spec, const char* name) {
  for (int i = 0; i < spec.nchannels; ++i) {
    if (absl::EqualsIgnoreCase(absl::string_view(spec.channelnames[i].c_str()), name)) return i;
  }
  return -1;
}

// Where the planes of the picture come from: indices into the file's channels.
struct Channels {
  std::vector<int> color;  // 3; thrice the same for grey
  int alpha = -1;
};

absl::StatusOr<Channels> ChooseChannels(const PlateRead& read, const ImageSpec& spec) {
  Channels c;
  c.alpha = FindChannel(spec, "A");
  if (read.alpha() == Plate::MATTE_ONLY) {
    if (c.alpha < 0) c.alpha = 0;
    return c;
  }
  const int r = FindChannel(spec, "R"), g = FindChannel(spec, "G"), b = FindChannel(spec, "B");
  if (r >= 0 && g >= 0 && b >= 0) {
    c.color = {r, g, b};
  } else {
    int grey = FindChannel(spec, "Y");
    if (grey < 0) grey = FindChannel(spec, "I");
    if (grey < 0 && spec.nchannels == 1) grey = 0;
    if (grey < 0) {
      std::string names;
      for (const std::string& name : spec.channelnames) absl::StrAppend(&names, names.empty() ? "" : " ", name);
      return absl::InvalidArgumentError(
          absl::StrCat(read.path(), " has no R, G and B and no Y channel; it has: ", names));
    }
    c.color = {grey, grey, grey};
  }
  if (read.alpha() == Plate::NONE) {
    c.alpha = -1;
  } else if (c.alpha < 0) {
    return absl::InvalidArgumentError(
        absl::StrCat(read.path(), " has no alpha channel; set the plate's alpha to NONE, or MATTE_ONLY for a matte"));
  }
  return c;
}

// Rows y0..y1 (counted from the top of the data window) of channels first..last
// interleaved, as floats.
bool ReadRows(Opened& o, int y0, int y1, int first, int last, float* to) {
  const ImageSpec& s = o.spec;
  if (s.tile_width == 0) {
    return o.input->read_scanlines(0, 0, s.y + y0, s.y + y1, 0, first, last, OIIO::TypeFloat, to);
  }
  return o.input->read_tiles(0, 0, s.x, s.x + s.width, s.y + y0, s.y + y1, s.z, s.z + 1, first, last, OIIO::TypeFloat,
                             to);
}

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
void DecodeColor(const PlateRead& read, std::vector<float*>& rgb, const float* alpha, size_t count) {
  const bool divide = read.alpha() == Plate::ASSOCIATED && read.encoding() != ENCODING_LINEAR;
  for (float* row : rgb) {
    if (divide) {
      for (size_t i = 0; i < count; ++i) row[i] = alpha[i] > 0 ? row[i] / alpha[i] : row[i];
    }
    DecodeRow(read.encoding(), row, row, count);
    if (divide) {
      for (size_t i = 0; i < count; ++i) row[i] = alpha[i] > 0 ? row[i] * alpha[i] : row[i];
    }
  }
}

absl::StatusOr<Picture> DecodePicture(const PlateRead& read, const PlateFile& file, const Rect& format) {
  ASSIGN_OR_RETURN(Opened o, Open(file));
  ASSIGN_OR_RETURN(const Channels channels, ChooseChannels(read, o.spec));
  const Rect all = format.Union(o.data_window);
  RETURN_IF_ERROR(
      CheckSize("data window together with the stack's format", int64_t{all.x1} - all.x0, int64_t{all.y1} - all.y0),
      Annotate(read.path()));
  Picture picture;
  picture.kind = KindOf(read.alpha());
  std::vector<int> from = channels.color;
  if (channels.alpha >= 0) from.push_back(channels.alpha);
  const bool whole = all == o.data_window;
  for (size_t i = 0; i < from.size(); ++i) picture.planes.push_back(whole ? Plane(all) : Plane::Filled(all, 0));
  for (Plane& plane : picture.planes) plane.constant.reset();

  const auto [low, high] = std::minmax_element(from.begin(), from.end());
  const int first = *low, stride = *high + 1 - first;
  const CodeScale scale = ScaleOf(o.spec);
  const int step = o.spec.tile_height > 0 ? o.spec.tile_height : kRowsAtOnce;
  const size_t width = static_cast<size_t>(o.spec.width);
  std::vector<float> buffer(width * std::min(step, o.spec.height) * stride);
  for (int y0 = 0; y0 < o.spec.height; y0 += step) {
    const int y1 = std::min(y0 + step, o.spec.height);
    if (!ReadRows(o, y0, y1, first, first + stride, buffer.data()))
      return Undecodable(read.path(), o.input->geterror());
    for (int y = y0; y < y1; ++y) {
      std::vector<float*> rows;
      for (size_t p = 0; p < from.size(); ++p) {
        float* row = picture.planes[p].row(o.data_window.y0 + y) + (o.data_window.x0 - all.x0);
        const float* source = buffer.data() + (y - y0) * width * stride + (from[p] - first);
        for (size_t x = 0; x < width; ++x) row[x] = source[x * stride];
        if (scale.bits > 0) std::transform(row, row + width, row, scale);
        rows.push_back(row);
      }
      if (picture.kind != MATTE) {
        std::vector<float*> rgb(rows.begin(), rows.begin() + 3);
        DecodeColor(read, rgb, rows.back(), width);
      }
      for (float* row : rows) RoundToHalf(row, width);
    }
  }
  // Some decoders go on over damage and only leave a note.
  if (o.input->has_error()) return Undecodable(read.path(), o.input->geterror());
  if (picture.kind == OPAQUE) picture.planes.push_back(Plane::Filled(all, 1));
  return picture;
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

absl::StatusOr<Picture> ReadPlate(const PlateRead& read, const Rect& format) {
  return WithoutExceptions(read.path(), [&]() -> absl::StatusOr<Picture> {
    ASSIGN_OR_RETURN(const PlateFile file, ReadPlateFile(read.path()));
    if (file.digest.view() != read.digest()) {
      return absl::AbortedError(absl::StrCat("plate changed: ", read.path(), " is not the file that was planned with"));
    }
    return DecodePicture(read, file, format);
  });
}

absl::StatusOr<PlateFacts> InspectPlateFile(const std::string& path) {
  return WithoutExceptions(path, [&]() -> absl::StatusOr<PlateFacts> {
    ASSIGN_OR_RETURN(const PlateFile file, ReadPlateFile(path));
    ASSIGN_OR_RETURN(const Opened o, Open(file));
    PlateFacts facts;
    facts.set_digest(file.digest.str());
    facts.mutable_format()->set_width(static_cast<uint32_t>(o.format_width));
    facts.mutable_format()->set_height(static_cast<uint32_t>(o.format_height));
    *facts.mutable_data_window() = ToWindow(o.data_window);
    for (const std::string& name : o.spec.channelnames) facts.add_channel(name);
    facts.set_size(file.size);
    facts.set_mtime_ns(file.mtime_ns);
    facts.set_inode(file.inode);
    facts.set_file_type(ReaderName(file.type));
    facts.set_encoding(EncodingOf(file.type, o.spec));
    return facts;
  });
}

}  // namespace selvage::worker
