// A mask that follows, through a real daemon, real workers and the client.
#include "absl/strings/str_cat.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

// The studio's disc moves 4 pixels a frame; its middle is at (105, 110) at 1001.
// Drawn as a square about it, `half` wide, at each of these frames.
std::string Disc(const std::vector<std::pair<int, int>>& drawn, const std::string& picture = "plate") {
  std::string text =
      "name: \"disc\"\nframes { first: 1001 last: 1006 }\nplate { name: \"plate\" files: \"plate.%04d.exr\" }\n"
      "mask {\n  name: \"disc\"\n  shape {\n";
  for (const auto& [frame, half] : drawn) {
    const int x = 105 + 4 * (frame - 1001), y = 110;
    absl::StrAppend(&text, "    at { frame: ", frame, " path: \"M ", x - half, " ", y - half, " H ", x + half, " V ",
                    y + half, " H ", x - half, " Z\" }\n");
  }
  return absl::StrCat(text, "  }\n  follow { picture: \"", picture, "\" }\n}\n", R"(
pass { name: "dark" from: "plate" step { grade { gain { r: 0 g: 0 b: 0 } } } }
pass { name: "key" from: "plate" step { color_difference {} } step { within { mask: "disc" } } }
deliver { name: "matte" from: "key" files: "out/matte.%04d.exr" }
)");
}

TEST(FollowE2e, IsRenderedCorrectedAndExplained) {
  Studio studio;
  studio.Start();
  const JobProgress first = studio.Submit(studio.WriteStack("disc.stack", Disc({{1002, 68}})));
  EXPECT_EQ(OfPass(first, "mask disc").rendered, 6u + 5u);
  EXPECT_EQ(OfPass(first, "motion plate").rendered, 5u);
  const Files files = studio.Fetch("first");

  // The same again is nothing; a correction reaches the frames on its side.
  EXPECT_EQ(Sum(studio.Submit(studio.file("disc.stack"))).rendered, 0u);
  const std::string corrected = studio.WriteStack("disc.stack", Disc({{1002, 68}, {1005, 66}}));
  const Finished why = studio.Client({"why", corrected, "key", "--frame", "1004"});
  EXPECT_EQ(why.exit_code, 0) << why.err;
  EXPECT_NE(why.out.find("mask disc"), std::string::npos) << why.out;
  const JobProgress second = studio.Submit(corrected);
  EXPECT_EQ(OfPass(second, "motion plate").rendered, 0u);
  EXPECT_EQ(OfPass(second, "key").rendered, 4u) << "1003 to 1006";

  // An empty cache gives the same files.
  const Files later = studio.Fetch("second");
  Studio fresh;
  fresh.Start();
  fresh.Submit(fresh.WriteStack("disc.stack", Disc({{1002, 68}, {1005, 66}})));
  EXPECT_EQ(Differences(later, fresh.Fetch("fresh")), "");

  // Invalidated like a pass.
  ASSERT_EQ(studio.Client({"invalidate", corrected, "disc"}).exit_code, 0);
  const JobProgress again = studio.Submit(corrected);
  EXPECT_GT(OfPass(again, "mask disc").rendered, 0u);
  EXPECT_EQ(OfPass(again, "key").rendered, 0u) << "the mask came out the same";
}

TEST(FollowE2e, LosingThePictureIsSaidWithMaskAndFrame) {
  Studio studio;
  studio.Start();
  const std::string stack = studio.WriteStack("disc.stack", Disc({{1001, 68}}, "dark"));
  const Finished f = studio.Client({"submit", stack, "--watch"}, 60);
  EXPECT_NE(f.exit_code, 0);
  const std::string text = f.out + f.err;
  EXPECT_NE(text.find("mask \"disc\" frame 1002: shape 1 has lost what it follows; draw it at frame 1002"),
            std::string::npos)
      << text;
}

}  // namespace
}  // namespace selvage::e2e
