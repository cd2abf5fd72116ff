#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "tests/testing/op_tester.h"
#include "worker/inputs/mask.h"

namespace selvage::worker {
namespace {

constexpr Rect kWindow = {0, 0, 144, 99};

Outline Box(double x0, double y0, double x1, double y1) {
  Outline outline;
  auto* path = outline.add_path();
  double x = x0, y = y0;
  path->add_xy(x);
  path->add_xy(y);
  for (const auto& [to_x, to_y] : {std::pair{x1, y0}, {x1, y1}, {x0, y1}}) {
    for (const double u : {1.0 / 3, 2.0 / 3, 1.0}) {
      path->add_xy(x + u * (to_x - x));
      path->add_xy(y + u * (to_y - y));
    }
    x = to_x;
    y = to_y;
  }
  return outline;
}
Measurement Carried(const Outline& outline) {
  Measurement m;
  *m.mutable_outline() = outline;
  return m;
}
std::string Text(const Outline& outline) { return absl::StrCat("drawn { ", outline.ShortDebugString(), " }"); }

// As the source of a mask that doesn't follow draws it.
Picture Plain(const std::vector<std::pair<Outline, std::string>>& shapes, bool invert = false) {
  ResolvedMask mask;
  mask.set_invert(invert);
  for (const auto& [outline, more] : shapes) {
    auto* to = mask.add_shape();
    for (const auto& path : outline.path()) *to->add_path()->mutable_xy() = path.xy();
    const DrawMask::Shape read = MakeStep(absl::StrCat("draw_mask { shape { ", more, " } }")).draw_mask().shape(0);
    to->set_feather(read.feather());
    to->set_opacity(read.opacity());
    to->set_subtract(read.subtract());
    to->set_rule(read.even_odd() ? Mask::EVENODD : Mask::NONZERO);
  }
  Picture picture;
  picture.kind = MATTE;
  picture.planes.emplace_back(kWindow);
  EXPECT_TRUE(RenderMask(mask, &picture.planes[0]).ok());
  return picture;
}

OpTester Tester(const std::string& shapes) {
  return OpTester(absl::StrCat("draw_mask { ", shapes, " }")).Window(kWindow);
}

TEST(DrawMask, KeepsTheLaws) {
  const Outline a = Box(20.25, 12, 90, 70.5), b = Box(60, 40, 130, 90);
  Tester(
      absl::StrCat("shape { opacity: 1 feather: 7 ", Text(a), " } shape { opacity: 0.5 subtract: true ", Text(b), " }"))
      .CheckLaws();
  Tester("shape { opacity: 1 before: 'x' after: 'y' mix: 0.3 }")
      .WithMeasured("shape[0].before", Carried(a))
      .WithMeasured("shape[0].after", Carried(b))
      .CheckLaws();
}

TEST(DrawMask, DrawsADrawnShapeLikeAMaskThatDoesNotFollow) {
  const Outline a = Box(20.25, 12, 90, 70.5), b = Box(60, 40, 130, 90);
  const std::string first = "opacity: 0.8 feather: -5", second = "opacity: 1 subtract: true even_odd: true";
  const Picture drawn =
      Tester(absl::StrCat("invert: true shape { ", first, " ", Text(a), " } shape { ", second, " ", Text(b), " }"))
          .Render();
  EXPECT_TRUE(SameBits(drawn, Plain({{a, first}, {b, second}}, true)));
}

TEST(DrawMask, DrawsWhatWasCarriedAndMixesTwo) {
  const Outline a = Box(10, 10, 50, 50), b = Box(30, 18, 70, 58), quarter = Box(15, 12, 55, 52);
  for (const char* port : {"before", "after"}) {
    const Picture one = Tester(absl::StrCat("shape { opacity: 1 ", port, ": 'x' }"))
                            .WithMeasured(absl::StrCat("shape[0].", port), Carried(a))
                            .Render();
    EXPECT_TRUE(SameBits(one, Plain({{a, "opacity: 1"}}))) << port;
  }
  const Picture mixed = Tester("shape { opacity: 1 before: 'x' after: 'y' mix: 0.25 }")
                            .WithMeasured("shape[0].before", Carried(a))
                            .WithMeasured("shape[0].after", Carried(b))
                            .Render();
  EXPECT_TRUE(SameBits(mixed, Plain({{quarter, "opacity: 1"}})));
}

TEST(DrawMask, OutlinesThatDoNotMatchAreRefused) {
  Outline two = Box(10, 10, 50, 50);
  *two.add_path() = two.path(0);
  const auto drawn = Tester("shape { opacity: 1 before: 'x' after: 'y' }")
                         .WithMeasured("shape[0].before", Carried(Box(10, 10, 50, 50)))
                         .WithMeasured("shape[0].after", Carried(two))
                         .TryRender();
  EXPECT_EQ(drawn.status().code(), absl::StatusCode::kInternal);
}

}  // namespace
}  // namespace selvage::worker
