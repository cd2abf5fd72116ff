// What the beginning of a picture's file says of its samples. Pixels are not touched.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <string>

namespace selvage::client {

// Bytes of a file from `offset` on: as many as asked for, or as there are.
using ReadBytes = std::function<std::string(uint64_t offset, size_t count)>;

// "OpenEXR, half: B G R", "DPX, 10 bits: R G B", "PNG, 8 bits: R G B A", "JPEG, 8 bits: Y Cb Cr",
// "TIFF, 16 bits: 3 channels"; "" where it is none of these, or damaged.
std::string PictureTypeIn(const ReadBytes& read);
// Of a file. "" also where it cannot be read.
std::string PictureTypeOf(const std::string& path);

}  // namespace selvage::client
