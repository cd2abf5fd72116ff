#include "client/picture.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace selvage::client {
namespace {

using ::testing::HasSubstr;

Picture Plain(int width, int height, int code) {
  Picture p(width, height);
  std::fill(p.rgb.begin(), p.rgb.end(), static_cast<uint8_t>(code));
  return p;
}

TEST(Pictures, APngComesBackAsItWas) {
  Picture p(37, 11);
  for (size_t i = 0; i < p.rgb.size(); ++i) p.rgb[i] = static_cast<uint8_t>(i * 7);
  const auto bytes = WritePng(p);
  ASSERT_TRUE(bytes.ok()) << bytes.status();
  const auto read = ReadPng(*bytes);
  ASSERT_TRUE(read.ok()) << read.status();
  EXPECT_EQ(read->width, 37);
  EXPECT_EQ(read->height, 11);
  EXPECT_EQ(read->rgb, p.rgb);
  EXPECT_EQ(ReadPng(bytes->substr(0, bytes->size() / 2)).status().code(), absl::StatusCode::kDataLoss);
  EXPECT_EQ(ReadPng("no picture").status().code(), absl::StatusCode::kDataLoss);
}

TEST(Pictures, AWipeHasTheOneOnItsLeftAndTheOtherOnItsRight) {
  const Picture a = Plain(100, 10, 20), b = Plain(100, 10, 200);
  const auto wiped = Wiped(a, b, 0.25);
  ASSERT_TRUE(wiped.ok());
  EXPECT_EQ(*wiped->at(24, 5), 20);
  EXPECT_EQ(*wiped->at(26, 5), 200);
  EXPECT_EQ(Wiped(a, b, 0)->rgb, b.rgb);
  EXPECT_EQ(Wiped(a, b, 1)->rgb, a.rgb);
  EXPECT_THAT(std::string(Wiped(a, Plain(99, 10, 0), 0.5).status().message()), HasSubstr("100x10 and 99x10"));
}

TEST(Pictures, ADifferenceSaysHowManyPixelsWhereAndByHowMuch) {
  const Picture a = Plain(100, 50, 20);
  Picture b = a;
  b.at(30, 12)[1] = 43;
  b.at(33, 40)[2] = 19;
  const auto d = DifferenceOf(a, b);
  ASSERT_TRUE(d.ok());
  EXPECT_EQ(InWords(*d), "2 of 5000 pixels differ, by up to 23 of 255, within x 30..33, y 12..40");
  EXPECT_EQ(d->picture.at(30, 12)[1], 92);
  EXPECT_EQ(InWords(*DifferenceOf(a, a)), "the pictures are the same");
}

TEST(Pictures, ASheetHasEveryPictureAndItsNumber) {
  std::vector<std::pair<int, Picture>> frames;
  for (int i = 0; i < 7; ++i) frames.emplace_back(1001 + i, Plain(160, 90, 50 + i));
  const auto sheet = SheetOf(frames);
  ASSERT_TRUE(sheet.ok()) << sheet.status();
  std::vector<int> seen(256);
  for (int y = 0; y < sheet->height; ++y) {
    for (int x = 0; x < sheet->width; ++x) ++seen[*sheet->at(x, y)];
  }
  for (int i = 0; i < 7; ++i) EXPECT_GT(seen[50 + i], 160 * 90 * 9 / 10) << i;
  EXPECT_GT(seen[255], 7 * 20) << "white dots of seven numbers";
  frames[3].first = 1011;
  EXPECT_NE(SheetOf(frames)->rgb, sheet->rgb) << "another number looks otherwise";
  std::vector<std::pair<int, Picture>> many;
  many.emplace_back(1, Plain(40000, 1, 1));
  EXPECT_THAT(std::string(SheetOf(many).status().message()), HasSubstr("fewer frames or a smaller --longest-side"));
}

}  // namespace
}  // namespace selvage::client
