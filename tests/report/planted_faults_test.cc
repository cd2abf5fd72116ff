// Faults planted in the clean matte of a moving shot: what the report says must
// name exactly those frames, for that reason and no other.
#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <map>
#include <string>

#include "absl/strings/str_cat.h"
#include "client/report/frames_to_look_at.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

using client::FramesToLookAt;
using testing::MovingScene;

constexpr int kFrames = 17, kFirst = 1001;

using Plant = std::function<void(Picture* foreground)>;

void Disc(Picture* p, int channel, int cx, int cy, int radius, float value) {
  const Rect box = Rect{cx - radius, cy - radius, cx + radius + 1, cy + radius + 1}.Intersect(p->rect());
  for (int y = box.y0; y < box.y1; ++y) {
    for (int x = box.x0; x < box.x1; ++x) {
      if ((x - cx) * (x - cx) + (y - cy) * (y - cy) <= radius * radius) p->planes[channel].at(x, y) = value;
    }
  }
}
// A foreground before a green screen: its plate with camera noise, and what a
// perfect key and despill make of it.
class Shot {
 public:
  Shot() {
    scene_.foreground_x = 5;
    scene_.foreground_y = -1.5;
    scene_.screen_width = scene_.window.width();
    for (int i = 0; i < kFrames; ++i) {
      plates_.push_back(testing::AddNoise(scene_.Truth(Time(i)), {}, 300 + i));
      foregrounds_.push_back(Foreground(Time(i)));
    }
  }

  // Figures of the shot with faults at some frames; with a disc as core, if given.
  PassReport Report(const std::map<int, Plant>& faults, int core_radius = 0) const {
    std::vector<Picture> pictures;
    for (int i = 0; i < kFrames; ++i) {
      Picture p = Crop(foregrounds_[i], scene_.window);
      if (const auto fault = faults.find(kFirst + i); fault != faults.end()) fault->second(&p);
      pictures.push_back(std::move(p));
    }
    PassReport report;
    for (int i = 0; i < kFrames; ++i) {
      OpTester tester(absl::StrCat("measure_matte { plate: 'p' ", core_radius > 0 ? "core: 'c' }" : "}"));
      for (int j : {i, i - 1, i + 1}) {
        if (j >= 0 && j < kFrames) tester.Main(pictures[j], j - i).With("plate", plates_[j], j - i);
      }
      if (core_radius > 0) tester.With("core", Core(kFirst + i, core_radius));
      PassReport::Frame* frame = report.add_frame();
      frame->set_frame(kFirst + i);
      const auto bytes = tester.RenderBlob();
      EXPECT_TRUE(bytes.ok()) << bytes.status();
      EXPECT_TRUE(bytes.ok() && frame->mutable_figures()->ParseFromString(*bytes));
    }
    return report;
  }

  // Of the foreground's own disc.
  int CenterX(int frame) const {
    return 160 + static_cast<int>(std::lround(scene_.foreground_x * Time(frame - kFirst)));
  }
  int CenterY(int frame) const {
    return 120 + static_cast<int>(std::lround(scene_.foreground_y * Time(frame - kFirst)));
  }

 private:
  static int Time(int i) { return i - kFrames / 2; }

  Picture Core(int frame, int radius) const {
    Picture p = MakeConstant(MATTE, scene_.window, 0);
    p.planes[0].constant.reset();
    Disc(&p, 0, CenterX(frame), CenterY(frame), radius, 1);
    return p;
  }

  // Straight; alpha as soft as a key gives it.
  Picture Foreground(int time) const {
    Picture p;
    p.kind = STRAIGHT;
    for (int c = 0; c < 4; ++c) p.planes.emplace_back(scene_.window);
    for (int y = scene_.window.y0; y < scene_.window.y1; ++y) {
      for (int x = scene_.window.x0; x < scene_.window.x1; ++x) {
        const auto color = scene_.Foreground(x, y, time);
        for (int c = 0; c < 3; ++c) p.planes[c].at(x, y) = static_cast<float>(std::clamp(color[c], 0.02, 0.9));
        double sum = 0;
        for (int j = -1; j <= 1; ++j) {
          for (int i = -1; i <= 1; ++i) sum += (2 - std::abs(i)) * (2 - std::abs(j)) * scene_.Cover(x + i, y + j, time);
        }
        p.planes[3].at(x, y) = static_cast<float>(sum / 16);
      }
    }
    return p;
  }

  MovingScene scene_;
  std::vector<Picture> plates_, foregrounds_;
};
const Shot& TheShot() {
  static const auto* shot = new Shot;
  return *shot;
}

int DiscArea(int radius) {
  int area = 0;
  for (int y = -radius; y <= radius; ++y) {
    for (int x = -radius; x <= radius; ++x) area += x * x + y * y <= radius * radius;
  }
  return area;
}

Plant Hole(int frame) {
  return [frame](Picture* p) { Disc(p, 3, TheShot().CenterX(frame), TheShot().CenterY(frame), 4, 0); };
}
Plant Speck() {
  return [](Picture* p) { Disc(p, 3, 20, 30, 3, 0.6f); };
}
// The soft edge eaten or fattened: values between solid and clear move.
Plant Chatter(float by) {
  return [by](Picture* p) {
    const Rect r = p->rect();
    for (int y = r.y0; y < r.y1; ++y) {
      for (int x = r.x0; x < r.x1; ++x) {
        float& a = p->planes[3].at(x, y);
        a = std::clamp(a + by * 4 * a * (1 - a), 0.0f, 1.0f);
      }
    }
  };
}
// Green in the edge, as before a despill.
Plant Spill() {
  return [](Picture* p) {
    const Rect r = p->rect();
    for (int y = r.y0; y < r.y1; ++y) {
      for (int x = r.x0; x < r.x1; ++x) {
        const float a = p->planes[3].at(x, y);
        if (a > 0 && a < 1) p->planes[1].at(x, y) += 0.4f * (1 - a);
      }
    }
  };
}
Plant Clipped(int frame) {
  return [frame](Picture* p) {
    for (int c = 0; c < 3; ++c) Disc(p, c, TheShot().CenterX(frame) + 12, TheShot().CenterY(frame), 4, 3);
  };
}

// "HOLE 1004-1004" ...
std::vector<std::string> Found(const std::map<int, Plant>& faults) {
  std::vector<std::string> found;
  for (const Finding& f : FramesToLookAt(TheShot().Report(faults), {})) {
    found.push_back(absl::StrCat(Finding::Kind_Name(f.kind()), " ", f.first(), "-", f.last()));
  }
  return found;
}
using Strings = std::vector<std::string>;

TEST(PlantedFaults, NothingStandsOutInTheCleanShot) { EXPECT_EQ(Found({}), Strings{}); }

TEST(PlantedFaults, EachAloneIsNamedAloneAtItsFrames) {
  EXPECT_EQ(Found({{1004, Hole(1004)}}), Strings{"HOLE 1004-1004"});
  EXPECT_EQ(Found({{1006, Speck()}}), Strings{"SPECK 1006-1006"});
  EXPECT_EQ(Found({{1009, Chatter(0.4f)}, {1010, Chatter(-0.4f)}, {1011, Chatter(0.4f)}}),
            Strings{"FLICKER 1009-1011"});
  EXPECT_EQ(Found({{1013, Spill()}}), Strings{"SPILL 1013-1013"});
  EXPECT_EQ(Found({{1015, Clipped(1015)}}), Strings{"CLIPPED 1015-1015"});
}

TEST(PlantedFaults, AllTogetherAreNamedEachForItself) {
  EXPECT_EQ(
      Found({{1004, Hole(1004)},
             {1006, Speck()},
             {1009, Chatter(0.4f)},
             {1010, Chatter(-0.4f)},
             {1011, Chatter(0.4f)},
             {1013, Spill()},
             {1015, Clipped(1015)}}),
      (Strings{"HOLE 1004-1004", "SPECK 1006-1006", "FLICKER 1009-1011", "SPILL 1013-1013", "CLIPPED 1015-1015"}));
}

// What lasts for two frames lies beyond neither of them, but the edge jumps there
// and back.
TEST(PlantedFaults, AFaultOfTwoFramesIsTwoJumps) {
  EXPECT_EQ(Found({{1008, Chatter(0.4f)}, {1009, Chatter(0.4f)}}), (Strings{"JUMP 1007-1008", "JUMP 1009-1010"}));
}

TEST(PlantedFaults, AnEmptyFrameIsOneFinding) {
  EXPECT_EQ(Found({{1007, [](Picture* p) { Disc(p, 3, 160, 120, 400, 0); }}}), Strings{"EMPTY 1007-1007"});
}

TEST(PlantedFaults, TheSentenceSaysHowMuchAndWhere) {
  const int frame = 1004, x = TheShot().CenterX(frame), y = TheShot().CenterY(frame);
  const PassReport report = TheShot().Report({{frame, Hole(frame)}}, 30);
  const std::vector<Finding> found = FramesToLookAt(report, {"core", ""});
  ASSERT_EQ(found.size(), 1u);
  EXPECT_EQ(client::InWords(found[0]),
            absl::StrCat(frame, ": not solid inside `core`: ", DiscArea(4), " px, largest near x ", x, ", y ", y));
}

}  // namespace
}  // namespace selvage::worker
