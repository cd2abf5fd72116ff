// Before OpenImageIO, whose own byte swaps break those of protobuf.
#include "worker/ops/picture_file.h"

#include <OpenImageIO/filesystem.h>
#include <OpenImageIO/imageio.h>

#include <algorithm>
#include <exception>

#include "absl/strings/str_cat.h"
#include "worker/image_library.h"

namespace selvage {
namespace {

OIIO::ImageSpec SpecOf(const Codes& codes, int bits, const std::string& color_space, const HeaderTexts& texts) {
  OIIO::ImageSpec spec(codes.width, codes.height, codes.channels, bits == 8 ? OIIO::TypeUInt8 : OIIO::TypeUInt16);
  if (codes.channels == 1) {
    spec.channelnames = {"Y"};
    spec.alpha_channel = -1;
  }
  // Otherwise the library divides colour by alpha, in code values.
  spec["oiio:UnassociatedAlpha"] = 1;
  if (!color_space.empty()) spec["oiio:ColorSpace"] = color_space;
  spec["compression"] = "zip";
  for (const auto& [name, value] : texts) spec[name] = value;
  return spec;
}

absl::StatusOr<std::string> Write(const std::string& format, const Codes& codes, int bits, const OIIO::ImageSpec& spec) {
  auto out = OIIO::ImageOutput::create(format);
  if (!out || !out->supports("ioproxy")) return absl::InternalError(absl::StrCat("cannot write ", format, " to memory"));
  std::vector<unsigned char> memory;
  OIIO::Filesystem::IOVecOutput proxy(memory);
  out->set_ioproxy(&proxy);
  bool written = out->open(absl::StrCat("memory.", format), spec);
  if (bits == 8) {
    const std::vector<uint8_t> narrow(codes.samples.begin(), codes.samples.end());
    written = written && out->write_image(OIIO::TypeUInt8, narrow.data());
  } else {
    written = written && out->write_image(OIIO::TypeUInt16, codes.samples.data());
  }
  written = written && out->close();
  if (!written) return absl::InternalError(absl::StrCat("writing ", format, ": ", out->geterror()));
  return std::string(memory.begin(), memory.end());
}

}  // namespace

absl::StatusOr<std::string> WriteIntegerFile(const std::string& format, const Codes& codes, int bits,
                                             const std::string& color_space, const HeaderTexts& texts) {
  ConfigureImageLibrary();
  try {
    return Write(format, codes, bits, SpecOf(codes, bits, color_space, texts));
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

}  // namespace selvage
