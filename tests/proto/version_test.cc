#include "proto/version.h"

#include <fstream>
#include <regex>

#include "gtest/gtest.h"

namespace selvage {
namespace {

// There is one version, in one place.
TEST(Version, IsThatOfTheProject) {
  std::ifstream in(std::string(SELVAGE_SOURCE_DIR) + "/CMakeLists.txt");
  const std::string text{std::istreambuf_iterator<char>(in), {}};
  std::smatch match;
  ASSERT_TRUE(std::regex_search(text, match, std::regex("project\\(selvage VERSION ([0-9.]+)")));
  EXPECT_EQ(match[1], kVersion);
}

}  // namespace
}  // namespace selvage
