// One frame of a deliverable, encoded.
//
//   EXR   half, ZIP; display window = format, data window = the union of the
//         windows of everything in it. Colour is R G B A multiplied by A, a matte
//         a single channel A; layers the same under "<name>.".
//   DPX   10 bits, R G B: colour over black; a matte on all three.
//   TIFF, PNG   16 bits: R G B of opaque colour, R G B A (not multiplied) of
//         other colour, one channel of a matte. Outside the window: zero.
//
// What the plate says of its picture (DeliverFile.metadata) is written as far as the
// type can hold it: all of it in EXR; pixel aspect, time code and frame rate in DPX;
// pixel aspect in TIFF and PNG. The rest is a warning.
//
// Only colour is encoded; alpha and mattes are written as they are. Encoded
// colour of an EXR is divided by A before and multiplied after.
#include <set>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "proto/digest.h"
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/files/picture_file.h"
#include "worker/kernels/pixels/pointwise_rows.h"
#include "worker/kernels/pixels/transfer.h"

namespace selvage::worker {
namespace {

// A picture of another size says so wherever a file says who wrote it.
std::string Software(const DeliverFile& p) {
  return absl::StrCat("selvage ", p.version(),
                      p.reduced() > 1 ? absl::StrCat(", 1/", p.reduced(), " of the size") : "");
}

// Whether RGB are to come out multiplied by alpha.
enum class Alpha { kMultiplied, kStraight };

// RGB as `alpha` says, light encoded in the straight colour or (`encode_last`)
// in what comes out. The fourth plane is the input's.
std::vector<Plane> EncodedColor(const Picture& in, Encoding encoding, Alpha alpha, bool encode_last) {
  const Rect rect = in.rect();
  const size_t count = static_cast<size_t>(rect.width());
  const Plane& a = in.planes[3];
  const bool encodes = encoding != ENCODING_LINEAR;
  const bool multiplied = alpha == Alpha::kMultiplied;
  // Opaque colour is both.
  const bool divide = in.kind == PREMULTIPLIED && (!multiplied || (encodes && !encode_last));
  const bool multiply = multiplied && (in.kind == STRAIGHT || divide);
  std::vector<Plane> planes;
  for (int c = 0; c < 3; ++c) {
    if (!divide && !multiply && !encodes) {
      planes.push_back(in.planes[c]);
      continue;
    }
    Plane plane(rect);
    ForRows(rect, [&](int y) {
      float* row = plane.row(y);
      std::copy_n(in.planes[c].row(y), count, row);
      if (divide) UnpremultiplyRow(row, a.row(y), row, count);
      if (encodes && !encode_last) EncodeRow(encoding, row, row, count);
      // Light without coverage was not divided either.
      if (multiply) PremultiplyRow(divide, row, a.row(y), row, count);
      if (encodes && encode_last) EncodeRow(encoding, row, row, count);
    });
    planes.push_back(std::move(plane));
  }
  planes.push_back(a);
  return planes;
}

// ---- OpenEXR ----

void AddChannels(const Picture& picture, Encoding encoding, const std::string& prefix, std::vector<ExrChannel>* to) {
  if (picture.kind == MATTE) {
    to->push_back({prefix + "A", picture.planes[0]});
    return;
  }
  const std::vector<Plane> planes = EncodedColor(picture, encoding, Alpha::kMultiplied, false);
  const char* const names[] = {"R", "G", "B", "A"};
  for (int c = 0; c < 4; ++c) to->push_back({prefix + names[c], planes[c]});
}

HeaderTexts Provenance(const OpContext& context, const DeliverFile& p) {
  HeaderTexts texts = {{"software", Software(p)}, {"selvage.stack", p.stack_name()}};
  const auto key = context.task ? Digest::FromBytes(context.task->key()) : std::nullopt;
  if (key) texts.push_back({"selvage.result", key->Hex()});
  if (p.reduced() > 1) texts.push_back({"selvage.proxy", absl::StrCat("1/", p.reduced())});
  return texts;
}

absl::StatusOr<std::string> MakeExr(const OpContext& context, const DeliverFile& p, const Inputs& in) {
  Rect data = in.main().window;
  std::vector<ExrChannel> channels;
  AddChannels(in.main().picture, p.encoding(), "", &channels);
  std::set<std::string> names;
  for (int i = 0; i < p.layer_size(); ++i) {
    const std::string& name = p.layer(i).name();
    if (name.empty()) return absl::InvalidArgumentError(absl::StrCat("layer[", i, "] has no name"));
    if (!names.insert(name).second) {
      return absl::InvalidArgumentError(absl::StrCat("layer[", i, "]: there is already a layer named \"", name, "\""));
    }
    const Input* layer = in.Find(absl::StrCat("layer[", i, "].from"));
    if (!layer) return absl::InternalError(absl::StrCat("layer[", i, "] (\"", name, "\") has no input"));
    AddChannels(layer->picture, p.encoding(), name + ".", &channels);
    data = data.Union(layer->window);
    if (context.stopped()) return absl::CancelledError("cancelled: no job needs this");
  }
  if (data.empty()) return absl::InvalidArgumentError("there is no picture to deliver: it has no pixels");
  return WriteExr(context.format, data, channels, Provenance(context, p), p.metadata(), p.compression());
}

// ---- files of integers ----

// Quantises `planes` cut to the format; zero where they have no pixels.
Codes CodesOf(const std::vector<Plane>& planes, const Rect& format, int most, Encoding black_as) {
  Codes codes{format.width(), format.height(), static_cast<int>(planes.size()), {}};
  codes.samples.assign(format.area() * planes.size(), 0);
  const ptrdiff_t step = codes.channels;
  // Code of no light: not 0 in every encoding.
  float none = 0;
  EncodeRow(black_as, &none, &none, 1);
  for (int c = 0; c < codes.channels; ++c) {
    const Rect part = planes[c].rect().Intersect(format);
    const std::vector<float> outside(static_cast<size_t>(format.width()), c < 3 ? none : 0.0f);
    for (int y = format.y0; y < format.y1; ++y) {
      uint16_t* row = codes.samples.data() + static_cast<ptrdiff_t>(y - format.y0) * format.width() * step + c;
      QuantiseRow(outside.data(), most, row, step, outside.size());
      if (part.empty() || y < part.y0 || y >= part.y1) continue;
      QuantiseRow(planes[c].row(y) + (part.x0 - planes[c].rect().x0), most, row + (part.x0 - format.x0) * step, step,
                  static_cast<size_t>(part.width()));
    }
  }
  return codes;
}

std::string MakeDpx(const OpContext& context, const DeliverFile& p, const Picture& picture) {
  const bool matte = picture.kind == MATTE;
  const Encoding encoding = matte ? ENCODING_LINEAR : p.encoding();
  std::vector<Plane> planes(3, picture.planes[0]);
  if (!matte) {
    planes = EncodedColor(picture, encoding, Alpha::kMultiplied, true);
    planes.pop_back();
  }
  DpxHeader header{0, 0, Software(p), p.stack_name(), p.metadata()};
  // Codes of ST 268: 1 printing density, 2 linear, 6 BT.709, 0 "user defined".
  if (encoding == ENCODING_PRINTING_DENSITY) header.transfer = header.colorimetric = 1;
  if (encoding == ENCODING_LINEAR) header.transfer = 2;
  if (encoding == ENCODING_BT709) header.transfer = header.colorimetric = 6;
  return WriteDpx(CodesOf(planes, context.format, 1023, encoding), header);
}

absl::StatusOr<std::string> MakeIntegerFile(const OpContext& context, const DeliverFile& p, const Picture& picture) {
  const bool matte = picture.kind == MATTE;
  const Encoding encoding = matte ? ENCODING_LINEAR : p.encoding();
  std::vector<Plane> planes = picture.planes;
  if (!matte) planes = EncodedColor(picture, encoding, Alpha::kStraight, false);
  if (picture.kind == OPAQUE) planes.pop_back();
  std::string space;
  if (!matte && encoding == ENCODING_SRGB) space = "sRGB";
  if (!matte && encoding == ENCODING_LINEAR) space = "Linear";
  return WriteIntegerFile(p.type() == DeliverFile::PNG ? "png" : "tiff",
                          CodesOf(planes, context.format, 65535, encoding), 16, space, {{"Software", Software(p)}},
                          p.metadata());
}

// ---- what a type of file cannot hold ----

const char* TypeName(DeliverFile::FileType type) {
  switch (type) {
    case DeliverFile::DPX:
      return "DPX";
    case DeliverFile::TIFF:
      return "TIFF";
    case DeliverFile::PNG:
      return "PNG";
    default:
      return "EXR";
  }
}

// Parts of the plate's metadata that are lost in words, or "".
std::string Lost(DeliverFile::FileType type, const FileMetadata& m) {
  if (type == DeliverFile::EXR) return "";
  const bool holds_time = type == DeliverFile::DPX;
  std::vector<std::string> lost;
  if (m.has_timecode() && !holds_time) lost.push_back("time code");
  if (m.rate_denominator() > 0 && !holds_time) lost.push_back("frame rate");
  if (m.chromaticity_size() > 0) lost.push_back("chromaticities");
  if (!m.reel().empty()) lost.push_back("reel name");
  if (m.origin_x() != 0 || m.origin_y() != 0) lost.push_back("origin of the display window");
  return absl::StrJoin(lost, ", ");
}

class DeliverFileOp final : public TypedOp<DeliverFile> {
  absl::StatusOr<std::string> MakeBlob(const OpContext& context, const DeliverFile& p,
                                       const Inputs& in) const override {
    if (context.format.empty()) return absl::InvalidArgumentError("the stack's format is empty");
    if (const std::string lost = Lost(p.type(), p.metadata()); !lost.empty()) {
      context.warning(absl::StrCat("a ", TypeName(p.type()), " file cannot hold what the plate says of its ", lost,
                                   ": deliver EXR to keep it"));
    }
    if (p.type() == DeliverFile::EXR) return MakeExr(context, p, in);
    if (p.layer_size() > 0) return absl::InvalidArgumentError("only EXR files have layers");
    const Picture& picture = in.main().picture;
    if (p.type() == DeliverFile::DPX) return MakeDpx(context, p, picture);
    return MakeIntegerFile(context, p, picture);
  }
};
REGISTER_OP("deliver_file", DeliverFileOp);

}  // namespace
}  // namespace selvage::worker
