// Looks laid side by side, over one another and on sheets. The pictures come from workers:
// here nothing is made of an image but another arrangement of its codes.
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"

namespace selvage::client {

// 8-bit red, green and blue, row by row from the top.
struct Picture {
  int width = 0, height = 0;
  std::vector<uint8_t> rgb;

  Picture() = default;
  Picture(int width, int height) : width(width), height(height), rgb(size_t{3} * width * height) {}
  uint8_t* at(int x, int y) { return &rgb[3 * (size_t{1} * y * width + x)]; }
  const uint8_t* at(int x, int y) const { return &rgb[3 * (size_t{1} * y * width + x)]; }
};

// Errors: DATA_LOSS  no PNG.
absl::StatusOr<Picture> ReadPng(const std::string& bytes);
absl::StatusOr<std::string> WritePng(const Picture& picture);

// Left of `wipe` (a share of the width) the one, right of it the other, with a line between.
// Errors, for all that take two: INVALID_ARGUMENT  they are not of one size.
absl::StatusOr<Picture> Wiped(const Picture& left, const Picture& right, double wipe);
absl::StatusOr<Picture> SideBySide(const Picture& left, const Picture& right);

struct PictureDifference {
  // Differences of codes, four times as bright.
  Picture picture;
  uint64_t pixels = 0, all_pixels = 0;
  int largest = 0;
  // Box round the pixels that differ.
  int x0 = 0, y0 = 0, x1 = 0, y1 = 0;
};
absl::StatusOr<PictureDifference> DifferenceOf(const Picture& a, const Picture& b);
// "1234 of 518400 pixels differ, by up to 23 of 255, within x 120..180, y 40..90"
std::string InWords(const PictureDifference& difference);

// In rows, each with its number in a corner. REQUIRES: at least one.
// Errors: INVALID_ARGUMENT  the sheet would be larger than a PNG may be for eyes.
absl::StatusOr<Picture> SheetOf(const std::vector<std::pair<int, Picture>>& numbered);

}  // namespace selvage::client
