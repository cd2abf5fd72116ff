// What is reused of a frame that changes in part: real daemon, real workers,
// real client.
#include "absl/strings/str_cat.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

// Tiles of 600 x 400 pixels: three in a row, two rows.
constexpr uint64_t kTiles = 6;

// `corner`: where a point of the mask is at the second frame. The mask lies in
// the first tile; 12 pixels of softness reach into three more.
std::string Spots(int corner) {
  return absl::StrCat(R"(
name: "spots"
frames { first: 1001 last: 1002 }
plate { name: "plate" files: "plate.%04d.exr" }
mask {
  name: "dot"
  shape {
    at { frame: 1001 path: "M 20 20 L 60 20 L 60 60 L 20 60 Z" }
    at { frame: 1002 path: "M 20 20 L 60 20 L )",
                      corner, " ", corner, R"( L 20 60 Z" }
  }
}
pass { name: "key" from: "plate" step { color_difference {} } }
pass { name: "body" from: "key" step { combine { with: "dot" } } step { soften { sigma { value: 3 } } } }
pass { name: "hard" from: "body" step { levels { black { value: 0.1 } } } }
deliver { name: "matte" from: "hard" files: "out/matte.%04d.exr" }
)");
}

PassProgress Line(const JobProgress& p, const std::string& pass) {
  for (const PassProgress& line : p.pass()) {
    if (line.pass() == pass) return line;
  }
  ADD_FAILURE() << "no pass " << pass;
  return {};
}

class TileReuse : public ::testing::Test {
 protected:
  void SetUp() override {
    studio_.Start();
    first_ = Submit(70);
  }
  JobProgress Submit(int corner) { return studio_.Submit(studio_.WriteStack("spots.stack", Spots(corner))); }

  Studio studio_{2, 600, 400};
  JobProgress first_;
};

TEST_F(TileReuse, AMaskPointThatMovesRendersTheTilesThatItReaches) {
  EXPECT_EQ(Line(first_, "body").tiles_rendered(), 2 * kTiles);
  EXPECT_EQ(Line(first_, "body").tiles_reused(), 0u);
  const JobProgress p = Submit(80);
  // What the mask is put into was handed on in memory, and is kept from now on.
  EXPECT_EQ(Line(p, "key").tiles_rendered(), kTiles);
  // One frame: the mask's tile and the three that its softness reaches.
  EXPECT_EQ(Line(p, "body").tiles_rendered(), 4u);
  EXPECT_EQ(Line(p, "body").tiles_reused(), kTiles - 4);
  // These three came out the same.
  EXPECT_EQ(Line(p, "hard").tiles_rendered(), 1u);
  EXPECT_EQ(Line(p, "hard").tiles_reused(), kTiles - 1);
}

TEST_F(TileReuse, IsAsGoodAfterARestartAndGivesTheSameFiles) {
  studio_.KillDaemon();
  studio_.Start();
  const JobProgress p = Submit(80);
  EXPECT_EQ(Line(p, "hard").tiles_rendered(), 1u);
  const Files reused = studio_.Fetch("reused");
  Studio fresh(2, 600, 400);
  fresh.Start();
  fresh.Submit(fresh.WriteStack("spots.stack", Spots(80)));
  EXPECT_EQ(Differences(reused, fresh.Fetch("fresh")), "");
}

TEST_F(TileReuse, NothingIsReusedOfWhatWasInvalidated) {
  ASSERT_EQ(studio_.Client({"invalidate", studio_.file("spots.stack"), "body"}).exit_code, 0);
  const JobProgress p = Submit(80);
  EXPECT_EQ(Line(p, "body").tiles_rendered(), 2 * kTiles);
  EXPECT_EQ(Line(p, "body").tiles_reused(), 0u);
  // The same pixels again, but for the one tile.
  EXPECT_EQ(Line(p, "hard").tiles_rendered(), 1u);
}

}  // namespace
}  // namespace selvage::e2e
