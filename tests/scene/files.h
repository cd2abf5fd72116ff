// Writing the scene's files.
#pragma once

#include <string>

#include "tests/scene/picture.h"

namespace selvage::scene {

// Which channels of a picture a file gets.
enum class Channels { kRgb, kRgba, kAlpha };

// Half-float OpenEXR, ZIP. Throws std::exception when it cannot be written.
void WriteExr(const std::string& path, const Picture& picture, Channels channels);
// 8-bit sRGB PNG, and 10-bit printing density DPX.
void WritePng(const std::string& path, const Picture& picture);
void WriteDpx(const std::string& path, const Picture& picture);

// RGB, and A where there is one, of any image file. Throws std::exception.
Picture ReadPicture(const std::string& path);

// "plate.%04d.exr" with its frame.
std::string FramePath(const std::string& pattern, int frame);

}  // namespace selvage::scene
