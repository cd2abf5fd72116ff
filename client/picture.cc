#include "client/picture.h"

#include <png.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <cstring>

#include "absl/strings/str_cat.h"

namespace selvage::client {
namespace {

// Ours: a dark grey between pictures, an amber line where two meet.
constexpr uint8_t kGap[3] = {28, 28, 30};
constexpr uint8_t kLine[3] = {255, 176, 46};
constexpr int kGapWidth = 6;
constexpr int kLargestSide = 32768;

// Digits, five dots wide and seven high; a row is the lowest five bits.
constexpr uint8_t kDigits[10][7] = {
    {0x0e, 0x11, 0x13, 0x15, 0x19, 0x11, 0x0e}, {0x04, 0x0c, 0x04, 0x04, 0x04, 0x04, 0x0e},
    {0x0e, 0x11, 0x01, 0x02, 0x04, 0x08, 0x1f}, {0x1f, 0x02, 0x04, 0x02, 0x01, 0x11, 0x0e},
    {0x02, 0x06, 0x0a, 0x12, 0x1f, 0x02, 0x02}, {0x1f, 0x10, 0x1e, 0x01, 0x01, 0x11, 0x0e},
    {0x06, 0x08, 0x10, 0x1e, 0x11, 0x11, 0x0e}, {0x1f, 0x01, 0x02, 0x04, 0x08, 0x08, 0x08},
    {0x0e, 0x11, 0x11, 0x0e, 0x11, 0x11, 0x0e}, {0x0e, 0x11, 0x11, 0x0f, 0x01, 0x02, 0x0c},
};
constexpr uint8_t kMinus[7] = {0, 0, 0, 0x1f, 0, 0, 0};

void Fill(Picture* p, int x0, int y0, int x1, int y1, const uint8_t (&color)[3]) {
  for (int y = std::max(0, y0); y < std::min(p->height, y1); ++y) {
    for (int x = std::max(0, x0); x < std::min(p->width, x1); ++x) std::memcpy(p->at(x, y), color, 3);
  }
}

void Paste(const Picture& from, int x, int y, Picture* to) {
  for (int row = 0; row < from.height; ++row) {
    std::memcpy(to->at(x, y + row), from.at(0, row), size_t{3} * from.width);
  }
}

// White on black, so that it is read on any picture.
void WriteNumber(int number, int dot, int x, int y, Picture* p) {
  constexpr uint8_t kBlack[3] = {0, 0, 0}, kWhite[3] = {255, 255, 255};
  const std::string text = absl::StrCat(number);
  Fill(p, x, y, x + (static_cast<int>(text.size()) * 6 + 1) * dot, y + 9 * dot, kBlack);
  for (size_t i = 0; i < text.size(); ++i) {
    const uint8_t* rows = text[i] == '-' ? kMinus : kDigits[text[i] - '0'];
    for (int row = 0; row < 7; ++row) {
      for (int column = 0; column < 5; ++column) {
        if (!(rows[row] >> (4 - column) & 1)) continue;
        const int left = x + (static_cast<int>(i) * 6 + 1 + column) * dot, top = y + (row + 1) * dot;
        Fill(p, left, top, left + dot, top + dot, kWhite);
      }
    }
  }
}

absl::Status CheckSameSize(const Picture& a, const Picture& b) {
  if (a.width == b.width && a.height == b.height) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("the two pictures are not of one size: ", a.width, "x", a.height, " and ", b.width, "x", b.height));
}

}  // namespace

absl::StatusOr<Picture> ReadPng(const std::string& bytes) {
  png_image image;
  std::memset(&image, 0, sizeof image);
  image.version = PNG_IMAGE_VERSION;
  if (png_image_begin_read_from_memory(&image, bytes.data(), bytes.size()) == 0) {
    return absl::DataLossError(absl::StrCat("the picture cannot be read: ", image.message));
  }
  image.format = PNG_FORMAT_RGB;
  Picture picture(static_cast<int>(image.width), static_cast<int>(image.height));
  if (png_image_finish_read(&image, nullptr, picture.rgb.data(), 0, nullptr) == 0) {
    const std::string why = image.message;
    png_image_free(&image);
    return absl::DataLossError(absl::StrCat("the picture cannot be read: ", why));
  }
  return picture;
}

absl::StatusOr<std::string> WritePng(const Picture& picture) {
  png_image image;
  std::memset(&image, 0, sizeof image);
  image.version = PNG_IMAGE_VERSION;
  image.width = static_cast<png_uint_32>(picture.width);
  image.height = static_cast<png_uint_32>(picture.height);
  image.format = PNG_FORMAT_RGB;
  png_alloc_size_t size = PNG_IMAGE_PNG_SIZE_MAX(image);
  std::string bytes(size, '\0');
  if (png_image_write_to_memory(&image, bytes.data(), &size, 0, picture.rgb.data(), 0, nullptr) == 0) {
    return absl::InternalError(absl::StrCat("the picture cannot be written: ", image.message));
  }
  bytes.resize(size);
  return bytes;
}

absl::StatusOr<Picture> Wiped(const Picture& left, const Picture& right, double wipe) {
  if (absl::Status s = CheckSameSize(left, right); !s.ok()) return s;
  Picture out = left;
  const int at = static_cast<int>(std::lround(std::clamp(wipe, 0.0, 1.0) * left.width));
  for (int y = 0; y < out.height && at < out.width; ++y) {
    std::memcpy(out.at(at, y), right.at(at, y), size_t{3} * (out.width - at));
  }
  if (at > 0 && at < out.width) Fill(&out, at, 0, at + 1, out.height, kLine);
  return out;
}

absl::StatusOr<Picture> SideBySide(const Picture& left, const Picture& right) {
  if (absl::Status s = CheckSameSize(left, right); !s.ok()) return s;
  Picture out(2 * left.width + kGapWidth, left.height);
  Fill(&out, 0, 0, out.width, out.height, kGap);
  Paste(left, 0, 0, &out);
  Paste(right, left.width + kGapWidth, 0, &out);
  return out;
}

absl::StatusOr<PictureDifference> DifferenceOf(const Picture& a, const Picture& b) {
  if (absl::Status s = CheckSameSize(a, b); !s.ok()) return s;
  PictureDifference d;
  d.picture = Picture(a.width, a.height);
  d.all_pixels = uint64_t{1} * a.width * a.height;
  d.x0 = a.width, d.y0 = a.height;
  for (int y = 0; y < a.height; ++y) {
    for (int x = 0; x < a.width; ++x) {
      int largest = 0;
      for (int c = 0; c < 3; ++c) {
        const int by = std::abs(a.at(x, y)[c] - b.at(x, y)[c]);
        largest = std::max(largest, by);
        d.picture.at(x, y)[c] = static_cast<uint8_t>(std::min(255, 4 * by));
      }
      if (largest == 0) continue;
      ++d.pixels;
      d.largest = std::max(d.largest, largest);
      d.x0 = std::min(d.x0, x), d.y0 = std::min(d.y0, y);
      d.x1 = std::max(d.x1, x), d.y1 = std::max(d.y1, y);
    }
  }
  return d;
}

std::string InWords(const PictureDifference& d) {
  if (d.pixels == 0) return "the pictures are the same";
  return absl::StrCat(d.pixels, " of ", d.all_pixels, " pixels differ, by up to ", d.largest, " of 255, within x ",
                      d.x0, "..", d.x1, ", y ", d.y0, "..", d.y1);
}

absl::StatusOr<Picture> SheetOf(const std::vector<std::pair<int, Picture>>& numbered) {
  int width = 0, height = 0;
  for (const auto& [number, picture] : numbered) {
    width = std::max(width, picture.width);
    height = std::max(height, picture.height);
  }
  const int count = static_cast<int>(numbered.size());
  // About as wide as a screen is, whatever the pictures are.
  const double columns_for_screen = std::sqrt(count * 16.0 / 9.0 * height / std::max(1, width));
  const int columns = std::clamp(static_cast<int>(std::lround(columns_for_screen)), 1, count);
  const int rows = (count + columns - 1) / columns;
  const int64_t all_width = int64_t{columns} * (width + kGapWidth) + kGapWidth;
  const int64_t all_height = int64_t{rows} * (height + kGapWidth) + kGapWidth;
  if (all_width > kLargestSide || all_height > kLargestSide) {
    return absl::InvalidArgumentError(absl::StrCat("the sheet would have ", all_width, "x", all_height,
                                                   " pixels: take fewer frames or a smaller --longest-side"));
  }
  Picture sheet(static_cast<int>(all_width), static_cast<int>(all_height));
  Fill(&sheet, 0, 0, sheet.width, sheet.height, kGap);
  const int dot = std::max(1, std::min(width, height) / 90);
  for (int i = 0; i < count; ++i) {
    const int x = kGapWidth + i % columns * (width + kGapWidth), y = kGapWidth + i / columns * (height + kGapWidth);
    Paste(numbered[i].second, x, y, &sheet);
    WriteNumber(numbered[i].first, dot, x, y, &sheet);
  }
  return sheet;
}

}  // namespace selvage::client
