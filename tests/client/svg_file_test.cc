// Shapes that were drawn elsewhere.
#include "client/svg/svg_file.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "client/language/stack_file.h"
#include "client/loom/import_masks.h"

namespace selvage::client {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

Format Picture(uint32_t width, uint32_t height) {
  Format format;
  format.set_width(width);
  format.set_height(height);
  return format;
}

FrameRange Frames() {
  FrameRange frames;
  frames.set_first(1001);
  frames.set_last(1024);
  return frames;
}

// The path of the only shape; the fault behind "!".
std::string OnlyPath(const std::string& inside, const std::string& root = "<svg>", const Format& format = {}) {
  const auto drawing = ReadSvg(root + inside + "</svg>", format);
  if (!drawing.ok()) return "!" + std::string(drawing.status().message());
  if (drawing->layers.size() != 1 || drawing->layers[0].shapes.size() != 1) return "not one shape";
  return drawing->layers[0].shapes[0].path;
}

TEST(SvgFile, ReadsPathsAndBasicShapes) {
  EXPECT_EQ(OnlyPath("<path d='m 1 2 h 3 v 4 z'/>"), "M 1 2 L 4 2 L 4 6 Z");
  EXPECT_EQ(OnlyPath("<rect x='1' y='2' width='3' height='4'/>"), "M 1 2 L 4 2 L 4 6 L 1 6 Z");
  EXPECT_EQ(OnlyPath("<polygon points='0,0 4,0 4,4'/>"), "M 0 0 L 4 0 L 4 4 Z");
  EXPECT_EQ(OnlyPath("<polyline points=' 0 0, 4 0  4 4 '/>"), "M 0 0 L 4 0 L 4 4 Z");
  // A circle of sixteen curves begins and ends at its left.
  const std::string circle = OnlyPath("<circle cx='10' cy='20' r='5'/>");
  EXPECT_THAT(circle, ::testing::StartsWith("M 5 20 C "));
  EXPECT_THAT(circle, HasSubstr(" 15 20 C "));
  EXPECT_THAT(circle, ::testing::EndsWith(" 5 20 Z"));
  EXPECT_EQ(OnlyPath("<rect width='0' height='4'/><path d='M 0 0 L 1 0 L 1 1'/>"), "M 0 0 L 1 0 L 1 1 Z");
}

TEST(SvgFile, ResolvesTransforms) {
  const std::string path = "<path d='M 0 0 L 10 0 L 10 10 Z' ";
  EXPECT_EQ(OnlyPath(path + "transform='translate(3)'/>"), "M 3 0 L 13 0 L 13 10 Z");
  EXPECT_EQ(OnlyPath(path + "transform='translate(1,2) scale(2)'/>"), "M 1 2 L 21 2 L 21 22 Z");
  EXPECT_EQ(OnlyPath(path + "transform='scale(2), translate(1,2)'/>"), "M 2 4 L 22 4 L 22 24 Z");
  EXPECT_EQ(OnlyPath(path + "transform='rotate(90)'/>"), "M 0 0 L 0 10 L -10 10 Z");
  EXPECT_EQ(OnlyPath(path + "transform='rotate(90 10 0)'/>"), "M 10 -10 L 10 0 L 0 0 Z");
  EXPECT_EQ(OnlyPath(path + "transform='skewX(45)'/>"), "M 0 0 L 10 0 L 20 10 Z");
  EXPECT_EQ(OnlyPath(path + "transform='matrix(1 0 0 -1 5 6)'/>"), "M 5 6 L 15 6 L 15 -4 Z");
  EXPECT_EQ(OnlyPath("<g transform='translate(100 0)'><g transform='scale(0.5)'>" + path + "/></g></g>"),
            "M 100 0 L 105 0 L 105 5 Z");
  EXPECT_THAT(OnlyPath(path + "transform='twist(1)'/>"), HasSubstr("1:6: the transform twist"));
}

TEST(SvgFile, CoversThePicture) {
  const std::string path = "<path d='M 0 0 L 96 0 L 96 54 Z'/>";
  EXPECT_EQ(OnlyPath(path, "<svg width='508mm' height='285.75mm' viewBox='0 0 96 54'>", Picture(1920, 1080)),
            "M 0 0 L 1920 0 L 1920 1080 Z");
  EXPECT_EQ(OnlyPath(path, "<svg width='192px' height='108' viewBox='0 0 96 54'>"), "M 0 0 L 192 0 L 192 108 Z");
  EXPECT_EQ(OnlyPath(path, "<svg viewBox='-10 -20 96 54'>"), "M 10 20 L 106 20 L 106 74 Z");
  EXPECT_THAT(OnlyPath(path, "<svg viewBox='0 0 100 100'>", Picture(1920, 1080)), HasSubstr("page of the same shape"));
}

TEST(SvgFile, LeavesOutWhatIsNotDrawnAndSaysWhatItCannotTake) {
  const auto drawing = ReadSvg(
      "<?xml version='1.0'?><!DOCTYPE svg><!-- <path d='x'/> --><svg><defs><path d='M 0 0 L 9 9'/></defs>"
      "<g style='display:none'><path d='M 0 0 L 8 8'/></g><text>a</text><use/><use/>"
      "<path fill-rule='evenodd' d='M 0 0 L 7 7'/></svg>",
      {});
  ASSERT_TRUE(drawing.ok()) << drawing.status();
  ASSERT_EQ(drawing->layers.size(), 1u);
  ASSERT_EQ(drawing->layers[0].shapes.size(), 1u);
  EXPECT_TRUE(drawing->layers[0].shapes[0].even_odd);
  EXPECT_THAT(drawing->left_out, ElementsAre(HasSubstr("<text>"), HasSubstr("<use>, 2 times")));
}

TEST(SvgFile, SaysWhereAFileIsWrong) {
  EXPECT_THAT(OnlyPath("<g>"), HasSubstr("</svg> closes nothing"));
  EXPECT_THAT(OnlyPath("\n<path d='M 0 0 X'/>"), HasSubstr("2:"));
  EXPECT_THAT(OnlyPath("<path d='M 0 0'"), HasSubstr("value is missing"));
  EXPECT_THAT(OnlyPath("<path d=1/>"), HasSubstr("no quotes"));
  EXPECT_THAT(OnlyPath("<!-- "), HasSubstr("never closed"));
  EXPECT_THAT(std::string(ReadSvg("<!DOCTYPE svg [<!ENTITY a 'aaaa'>]><svg/>", {}).status().message()),
              HasSubstr("plain SVG"));
  EXPECT_THAT(std::string(ReadSvg("hello", {}).status().message()), HasSubstr("no <svg>"));
  std::string deep = "<svg>";
  for (int i = 0; i < 1000; ++i) deep += "<g>";
  EXPECT_THAT(std::string(ReadSvg(deep, {}).status().message()), HasSubstr("too deeply"));
}

TEST(SvgFile, AnythingThatIsCutOffOrDamagedIsRefusedOrRead) {
  const std::string whole =
      "<?xml version='1.0'?><!DOCTYPE svg><svg viewBox='0 0 64 36'><!-- c --><g id='b&amp;1 1001' "
      "transform='rotate(3 4 5) scale(2)'><path style='fill-rule:evenodd' d='M 0 0 A 3 4 5 0 1 6 7 Q 1 2 3 4 T 5 6 Z'/>"
      "<rect x='1' y='2' width='9' height='8' rx='2'/></g></svg>";
  ASSERT_TRUE(ReadSvg(whole, Picture(640, 360)).ok());
  for (size_t size = 0; size < whole.size(); ++size) {
    EXPECT_FALSE(ReadSvg(whole.substr(0, size), Picture(640, 360)).ok()) << size;
  }
  int read = 0;
  for (size_t at = 0; at < whole.size(); ++at) {
    for (const char c : {'<', '>', '\'', '&', '/', '9', '\0', '\xff'}) {
      std::string damaged = whole;
      damaged[at] = c;
      const auto drawing = ReadSvg(damaged, Picture(640, 360));
      read += drawing.ok();
      if (drawing.ok()) (void)MasksOf(*drawing, Frames(), "f");
    }
  }
  EXPECT_GT(read, 0);
}

TEST(SvgFile, LayersWithFramesAreKeyFrames) {
  const auto drawing = ReadSvg(
      "<svg xmlns:x='http://example.com/'><g id='boots_1001'><path d='M 0 0 H 4 V 4 Z'/></g>"
      "<g id='g7' x:label='boots 1012'><path d='M 1 0 L 4 0 L 4 4 Z'/></g><g id='roof'><path d='M 0 0 L 1 0 L 1 1 "
      "Z'/></g>"
      "<path d='M 0 0 L 2 0 L 2 2 Z'/></svg>",
      {});
  ASSERT_TRUE(drawing.ok()) << drawing.status();
  const auto masks = MasksOf(*drawing, Frames(), "file");
  ASSERT_TRUE(masks.ok()) << masks.status();
  ASSERT_EQ(masks->size(), 3u);
  EXPECT_EQ((*masks)[0].name(), "file");
  const Mask& boots = (*masks)[1];
  EXPECT_EQ(boots.name(), "boots");
  ASSERT_EQ(boots.shape(0).at_size(), 2);
  EXPECT_EQ(boots.shape(0).at(1).frame(), 1012);
  EXPECT_EQ(boots.shape(0).at(1).path(), "M 1 0 L 4 0 L 4 4 Z");
  EXPECT_EQ((*masks)[2].shape(0).path(), "M 0 0 L 1 0 L 1 1 Z");

  const auto other = ReadSvg(
      "<svg><g id='b 1001'><path d='M 0 0 H 4 V 4 Z'/></g><g id='b 1002'><path d='M 0 0 H 4 V 4 H 0 Z'/></g></svg>",
      {});
  EXPECT_THAT(std::string(MasksOf(*other, Frames(), "f").status().message()), HasSubstr("as many points"));
}

constexpr char kText[] = R"(name: "s"
frames { first: 1001 last: 1024 }
mask {
  name: "boots"   # left and right
  shape { at { frame: 1001 path: "M 0 0 L 1 0 L 1 1 Z" } at { frame: 1005 path: "M 2 0 L 1 0 L 1 1 Z" } feather: 6 }
  shape { path: "M 5 5 L 6 5 L 6 6 Z" }
}
pass { name: "p" from: "boots" }
)";

TEST(SvgFile, MasksGoIntoTheTextAndNothingElseChanges) {
  const auto file = StackFile::Parse("t", kText);
  ASSERT_TRUE(file.ok()) << file.status();
  Mask roof;
  roof.set_name("roof");
  roof.add_shape()->set_path("M 0 0 L 9 0 L 9 9 Z");
  const auto with = WithMasks(kText, file->stack(), {roof}, false);
  ASSERT_TRUE(with.ok()) << with.status();
  std::string expected = kText;
  expected.insert(expected.find("pass {"), "mask { name: \"roof\" shape { path: \"M 0 0 L 9 0 L 9 9 Z\" } }\n");
  EXPECT_EQ(*with, expected);

  Mask boots = roof;
  boots.set_name("boots");
  EXPECT_TRUE(absl::IsAlreadyExists(WithMasks(kText, file->stack(), {boots}, false).status()));
  const auto anew = WithMasks(kText, file->stack(), {boots}, true);
  ASSERT_TRUE(anew.ok()) << anew.status();
  EXPECT_THAT(
      *anew,
      HasSubstr("name: \"boots\"   # left and right\n  shape { path: \"M 0 0 L 9 0 L 9 9 Z\" feather: 6 }\n}\n"));
}

TEST(SvgFile, WhatIsWrittenIsReadAgain) {
  const auto file = StackFile::Parse("t", kText);
  ASSERT_TRUE(file.ok());
  const auto svg = WriteSvg(file->stack().mask(0), Picture(640, 360));
  ASSERT_TRUE(svg.ok()) << svg.status();
  const auto drawing = ReadSvg(*svg, Picture(640, 360));
  ASSERT_TRUE(drawing.ok()) << drawing.status();
  const auto masks = MasksOf(*drawing, Frames(), "f");
  ASSERT_TRUE(masks.ok()) << masks.status();
  ASSERT_EQ(masks->size(), 1u);
  EXPECT_EQ((*masks)[0].name(), "boots");
  ASSERT_EQ((*masks)[0].shape_size(), 2);
  EXPECT_EQ((*masks)[0].shape(0).at(1).path(), file->stack().mask(0).shape(0).at(1).path());
  EXPECT_EQ((*masks)[0].shape(1).at(1).path(), "M 5 5 L 6 5 L 6 6 Z");
}

}  // namespace
}  // namespace selvage::client
