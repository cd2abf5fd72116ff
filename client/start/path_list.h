// Paths that go on from what somebody has begun to type.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

namespace selvage::client {

enum class PathSort { kPictures, kStacks };

struct PathList {
  // As they would be typed, folders first and with a "/" at the end; the pictures of a sequence
  // are one pattern with %04d.
  std::vector<std::string> paths;
  // How many more there are.
  size_t more = 0;
};

// `begun`: "" or a path up to anywhere in its last name. What begins with a dot is listed only
// where a dot was typed. A folder that cannot be read has nothing in it.
PathList PathsFrom(const std::string& begun, PathSort sort);

}  // namespace selvage::client
