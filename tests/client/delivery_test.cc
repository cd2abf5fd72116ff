// Where the files of a deliverable go.
#include "client/delivery.h"

#include "absl/strings/str_cat.h"
#include "gmock/gmock.h"

namespace selvage::client {
namespace {

std::string FirstFile(const std::string& files, uint32_t proxy, const std::string& to = "") {
  Stack stack;
  stack.set_name("shot");
  stack.mutable_frames()->set_first(1001);
  stack.mutable_frames()->set_last(1002);
  if (proxy > 0) stack.set_proxy(proxy);
  Deliverable d;
  d.set_name("comp");
  d.set_files(files);
  const auto all = FilesOf(stack, 3, d, {INT32_MIN, INT32_MAX}, to);
  EXPECT_TRUE(all.ok()) << all.status();
  return all.ok() ? all->front().path : "";
}

TEST(Delivery, FullSizeIsWrittenWhereTheStackSays) {
  EXPECT_EQ(FirstFile("/o/v{version}/comp.%04d.exr", 0), "/o/v003/comp.1001.exr");
  EXPECT_EQ(FirstFile("/o/comp.%04d.exr", 1), "/o/comp.1001.exr");
  EXPECT_EQ(FirstFile("/o/comp.%04d.exr", 1, "/to"), "/to/comp/comp.1001.exr");
}

// Whatever the files are called: the name itself says the size, wherever it is moved to, and is
// never that of the full size.
TEST(Delivery, NamesOfASmallerSizeSayIt) {
  EXPECT_EQ(FirstFile("/o/comp.%04d.exr", 2), "/o/comp_half.1001.exr");
  EXPECT_EQ(FirstFile("/o/comp.%04d.exr", 4), "/o/comp_quarter.1001.exr");
  EXPECT_EQ(FirstFile("/o/comp.%04d.exr", 8), "/o/comp_eighth.1001.exr");
  EXPECT_EQ(FirstFile("/o/comp_%04d.exr", 2), "/o/comp_half_1001.exr");
  EXPECT_EQ(FirstFile("/o/comp%04d.exr", 2), "/o/comp_half.1001.exr");
  EXPECT_EQ(FirstFile("/o/%04d.exr", 2), "/o/half.1001.exr");
  EXPECT_EQ(FirstFile("/o/%04d/comp.exr", 2), "/o/1001/comp_half.exr");
  EXPECT_EQ(FirstFile("/o/comp.exr", 2), "/o/comp_half.exr");
  EXPECT_EQ(FirstFile("/o/{stack}_v{version}.%04d.exr", 2), "/o/shot_v003_half.1001.exr");
  EXPECT_EQ(FirstFile("/o/comp.%04d.exr", 2, "/to"), "/to/comp/comp_half.1001.exr");
}

}  // namespace
}  // namespace selvage::client
