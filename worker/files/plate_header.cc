#include "worker/files/plate_header.h"

#include <boost/endian/conversion.hpp>
#include <cstring>
#include <optional>

#include "absl/strings/str_cat.h"
#include "proto/status.h"

namespace selvage::worker {
namespace {

absl::Status CutShort(const char* where) {
  return absl::InvalidArgumentError(absl::StrCat("the file is cut short: it ends ", where));
}
absl::Status InHeader() { return CutShort("inside its header"); }

// Reads numbers and words one after another; `ok` turns false beyond the end.
class Cursor {
 public:
  Cursor(std::string_view bytes, size_t at) : bytes_(bytes), at_(at) {}
  bool ok() const { return ok_; }
  size_t at() const { return at_; }
  size_t left() const { return bytes_.size() - at_; }

  std::string_view Take(size_t count) {
    if (!ok_ || at_ > bytes_.size() || count > left()) {
      ok_ = false;
      return {};
    }
    const std::string_view taken = bytes_.substr(at_, count);
    at_ += count;
    return taken;
  }
  uint64_t Number(size_t size, bool big_endian) {
    const std::string_view raw = Take(size);
    unsigned char wide[8] = {};
    if (!raw.empty()) std::memcpy(wide + (big_endian ? sizeof wide - raw.size() : 0), raw.data(), raw.size());
    return big_endian ? boost::endian::load_big_u64(wide) : boost::endian::load_little_u64(wide);
  }
  int32_t Int32() { return static_cast<int32_t>(Number(4, false)); }
  // Up to a zero byte, which is taken too. Names in OpenEXR have at most 255 bytes.
  std::string_view Word() {
    if (!ok_ || at_ >= bytes_.size()) {
      ok_ = false;
      return {};
    }
    const size_t end = bytes_.substr(at_, 256).find('\0');
    if (end == std::string_view::npos) {
      ok_ = false;
      return {};
    }
    const std::string_view word = bytes_.substr(at_, end);
    at_ += end + 1;
    return word;
  }

 private:
  std::string_view bytes_;
  size_t at_;
  bool ok_ = true;
};

struct Box {
  int64_t width = 0, height = 0;
};

Box TakeBox(std::string_view raw) {
  Cursor c(raw, 0);
  const int64_t x0 = c.Int32(), y0 = c.Int32(), x1 = c.Int32(), y1 = c.Int32();
  return {x1 - x0 + 1, y1 - y0 + 1};
}

// Attributes of one part up to the empty name: OpenEXR file layout, sections
// "header" and "multi-part files".
absl::Status CheckExrPart(Cursor& c, size_t file_bytes) {
  std::optional<Box> data, display;
  int64_t tile_pixels = 0;
  for (std::string_view name = c.Word(); !name.empty(); name = c.Word()) {
    const std::string_view type = c.Word();
    const std::string_view value = c.Take(c.Number(4, false));
    if (!c.ok()) return InHeader();
    if (type == "box2i" && value.size() == 16) {
      if (name == "dataWindow") data = TakeBox(value);
      if (name == "displayWindow") display = TakeBox(value);
    } else if (name == "tiles" && value.size() == 9) {
      Cursor t(value, 0);
      tile_pixels = static_cast<int64_t>(t.Number(4, false) * t.Number(4, false));
      if (tile_pixels <= 0) return absl::InvalidArgumentError("its tiles are empty");
    } else if (name == "type" && value.substr(0, 4) == "deep") {
      return absl::InvalidArgumentError("deep images are not supported");
    }
  }
  if (!c.ok()) return InHeader();
  if (!data || !display) return absl::InvalidArgumentError("its header has no data window or display window");
  RETURN_IF_ERROR(CheckSize("data window", data->width, data->height));
  RETURN_IF_ERROR(CheckSize("display window", display->width, display->height));
  // A tile is decoded whole: not much larger than the picture that it is part of.
  const int64_t pixels = data->width * data->height;
  if (tile_pixels > pixels + (1 << 20))
    return absl::InvalidArgumentError("its tiles are far larger than its data window");
  // Each tile has an entry of 8 bytes in a table, which the decoder allocates by
  // the header's word alone.
  if (tile_pixels > 0 && pixels / tile_pixels > static_cast<int64_t>(file_bytes / 8)) {
    return CutShort("inside its table of tiles");
  }
  return absl::OkStatus();
}

absl::Status CheckExr(std::string_view bytes) {
  Cursor c(bytes, 4);
  const uint32_t version = static_cast<uint32_t>(c.Number(4, false));
  if (!c.ok()) return InHeader();
  if (version & 0x800) return absl::InvalidArgumentError("deep images are not supported");
  const bool parts = version & 0x1000;
  RETURN_IF_ERROR(CheckExrPart(c, bytes.size()));
  if (!parts) return absl::OkStatus();
  while (true) {
    const size_t here = c.at();
    if (here >= bytes.size()) return InHeader();
    if (bytes[here] == '\0') return absl::OkStatus();
    RETURN_IF_ERROR(CheckExrPart(c, bytes.size()));
  }
}

// Samples a pixel of an element of SMPTE ST 268 table 1; 0 for one that is not known.
uint64_t DpxSamples(uint64_t descriptor) {
  switch (descriptor) {
    case 0:  // user defined
    case 1:  // red
    case 2:  // green
    case 3:  // blue
    case 4:  // alpha
    case 6:  // luma
    case 8:  // depth
      return 1;
    case 100:  // chroma at half width
    case 101:  // and with alpha: 1.5 and 2.5 samples, counted low
      return descriptor - 99;
    case 50:  // R G B
    case 102:
      return 3;
    case 51:  // R G B A
    case 52:  // A B G R
    case 103:
      return 4;
    default:
      return 0;
  }
}

// SMPTE ST 268, offsets as in its tables. The decoder trusts these numbers.
absl::Status CheckDpx(std::string_view bytes) {
  if (bytes.size() < 2048) return InHeader();
  const bool big = bytes[0] == 'S';
  const auto number = [&](size_t at, size_t size) { return Cursor(bytes, at).Number(size, big); };
  const uint64_t data_offset = number(4, 4), user_bytes = number(32, 4), elements = number(770, 2);
  const uint64_t width = number(772, 4), height = number(776, 4);
  const uint64_t samples = DpxSamples(number(800, 1)), bits = number(803, 1), packing = number(804, 2);
  const uint64_t encoding = number(806, 2);
  RETURN_IF_ERROR(CheckSize("picture", static_cast<int64_t>(width), static_cast<int64_t>(height)));
  const bool known_bits = bits == 1 || bits == 8 || bits == 10 || bits == 12 || bits == 16 || bits == 32 || bits == 64;
  if (elements < 1 || elements > 8 || samples == 0 || !known_bits || packing > 2 || encoding > 1) {
    return absl::InvalidArgumentError("its header is damaged, or has a kind of pixels that is not supported");
  }
  constexpr uint64_t kUnset = 0xFFFFFFFF;
  if (user_bytes != kUnset && user_bytes > bytes.size() - 2048) return InHeader();
  if (data_offset < 1664 || data_offset > bytes.size()) return CutShort("before its first row of pixels");
  // At least this much without run lengths, whatever the packing.
  if (encoding == 0 && width * height * samples * bits / 8 > bytes.size() - data_offset) {
    return CutShort("before its last row of pixels");
  }
  return absl::OkStatus();
}

absl::Status CheckPng(std::string_view bytes) {
  Cursor c(bytes, 8);
  for (bool first = true;; first = false) {
    const uint64_t length = c.Number(4, true);
    const std::string_view type = c.Take(4);
    const std::string_view data = c.Take(length);
    c.Take(4);  // CRC
    if (!c.ok()) return first ? InHeader() : CutShort("before its last row of pixels");
    if (first) {
      if (type != "IHDR" || data.size() != 13) return absl::InvalidArgumentError("its header is damaged");
      Cursor h(data, 0);
      const auto width = static_cast<int64_t>(h.Number(4, true));
      RETURN_IF_ERROR(CheckSize("picture", width, static_cast<int64_t>(h.Number(4, true))));
    }
    if (type == "IEND") return absl::OkStatus();
  }
}

// True for markers without a length: TEM, RSTn, SOI, EOI.
bool Lone(uint8_t marker) { return marker == 0x01 || (marker >= 0xD0 && marker <= 0xD9); }
bool IsFrame(uint8_t marker) {
  return marker >= 0xC0 && marker <= 0xCF && marker != 0xC4 && marker != 0xC8 && marker != 0xCC;
}

// ITU-T T.81 annex B: from marker to marker until the end of the image.
absl::Status CheckJpeg(std::string_view bytes) {
  bool scanned = false;
  size_t at = 2;
  while (true) {
    // Between segments there is nothing; inside a scan, 0xFF 0x00 is data.
    while (at + 1 < bytes.size() && !(bytes[at] == '\xff' && bytes[at + 1] != '\0' && bytes[at + 1] != '\xff')) {
      ++at;
    }
    if (at + 1 >= bytes.size()) return scanned ? CutShort("before its last row of pixels") : InHeader();
    const auto marker = static_cast<uint8_t>(bytes[at + 1]);
    at += 2;
    if (marker == 0xD9) return scanned ? absl::OkStatus() : InHeader();
    if (Lone(marker)) continue;
    Cursor c(bytes, at);
    const uint64_t length = c.Number(2, true);
    if (!c.ok() || length < 2 || length > bytes.size() - at) {
      return scanned ? CutShort("before its last row of pixels") : InHeader();
    }
    if (IsFrame(marker)) {
      c.Take(1);
      const auto height = static_cast<int64_t>(c.Number(2, true));
      RETURN_IF_ERROR(CheckSize("picture", static_cast<int64_t>(c.Number(2, true)), height));
    }
    scanned = scanned || marker == 0xDA;
    at += length;
  }
}

}  // namespace

absl::Status CheckHeader(FileType type, std::string_view bytes) {
  switch (type) {
    case FileType::kExr:
      return CheckExr(bytes);
    case FileType::kDpx:
      return CheckDpx(bytes);
    case FileType::kPng:
      return CheckPng(bytes);
    case FileType::kJpeg:
      return CheckJpeg(bytes);
    case FileType::kTiff:
      return bytes.size() < 8 ? InHeader() : absl::OkStatus();
  }
  return absl::OkStatus();
}

}  // namespace selvage::worker
