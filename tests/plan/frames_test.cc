#include "server/plan/frames.h"

#include <random>
#include <set>

#include "gtest/gtest.h"

namespace selvage::plan {
namespace {

using Listed = std::set<int32_t>;

Listed List(const FrameSet& frames) {
  Listed out;
  for (const Frames& r : frames.ranges()) {
    for (int64_t f = r.first; f <= r.last; ++f) out.insert(static_cast<int32_t>(f));
  }
  return out;
}

// A set of ranges and the same frames one by one.
struct Both {
  FrameSet ranges;
  Listed frames;
};

Both Some(std::mt19937* random) {
  Both b;
  for (int i = static_cast<int>((*random)() % 6); i > 0; --i) {
    const int32_t first = static_cast<int32_t>((*random)() % 60),
                  last = first + static_cast<int32_t>((*random)() % 8) - 1;
    b.ranges.Add(Frames{first, last});
    for (int32_t f = first; f <= last; ++f) b.frames.insert(f);
  }
  return b;
}

void ExpectSame(const FrameSet& set, const Listed& listed) {
  ASSERT_EQ(List(set), listed);
  ASSERT_EQ(set.size(), static_cast<int64_t>(listed.size()));
  int64_t position = 0;
  for (const int32_t f : listed) {
    EXPECT_EQ(set.PositionOf(f), position);
    EXPECT_EQ(set[position++], f);
  }
  for (size_t i = 1; i < set.ranges().size(); ++i) {
    EXPECT_GT(set.ranges()[i].first, set.ranges()[i - 1].last + 1) << "joined where they touch";
  }
}

TEST(FrameSet, IsTheSameAsFramesOneByOne) {
  std::mt19937 random(1);
  for (int round = 0; round < 2000; ++round) {
    Both a = Some(&random), b = Some(&random);
    ExpectSame(a.ranges, a.frames);
    Listed wide, within;
    for (const int32_t f : a.frames) {
      for (int k = -2; k <= 1; ++k) wide.insert(f + k);
      if (f >= 20 && f <= 40) within.insert(f);
    }
    ExpectSame(a.ranges.Moved(-2, 1), wide);
    ExpectSame(a.ranges.Intersect({20, 40}), within);
    a.ranges.Add(b.ranges);
    a.frames.insert(b.frames.begin(), b.frames.end());
    ExpectSame(a.ranges, a.frames);
  }
}

TEST(FrameMap, OfASetIsThatOfItsFrames) {
  std::mt19937 random(2);
  for (int round = 0; round < 2000; ++round) {
    const Both a = Some(&random);
    Listed holes;
    for (int i = 0; i < 5; ++i) holes.insert(static_cast<int32_t>(random() % 60));
    const FrameMap map = round % 5 == 0 ? FrameMap::At(7)
                                        : FrameMap::Later(static_cast<int32_t>(random() % 5) - 2, {5, 50},
                                                          std::vector<int32_t>(holes.begin(), holes.end()));
    Listed read;
    for (const int32_t f : a.frames) {
      if (const auto at = map(f)) read.insert(*at);
    }
    ExpectSame(map.Of(a.ranges), read);
  }
}

TEST(FrameMap, ReachesAsFarAsStepByStep) {
  std::mt19937 random(3);
  for (int round = 0; round < 2000; ++round) {
    const Both a = Some(&random);
    Listed holes;
    for (int i = 0; i < 5; ++i) holes.insert(static_cast<int32_t>(random() % 60));
    const FrameMap map =
        FrameMap::Later(round % 2 == 0 ? 1 : -1, {0, 60}, std::vector<int32_t>(holes.begin(), holes.end()));
    Listed all = a.frames;
    for (const int32_t f : a.frames) {
      for (auto at = map(f); at; at = map(*at)) all.insert(*at);
    }
    ExpectSame(map.Reached(a.ranges), all);
  }
}

TEST(Frames, WithoutAnEndStayWithoutOne) {
  EXPECT_TRUE(Frames().Moved(5, -5).all());
  EXPECT_EQ((Frames{1, Frames().last}.Moved(1, 1)), (Frames{2, Frames().last}));
  EXPECT_FALSE(FrameMap());
  EXPECT_EQ(FrameMap()(5), 5);
}

}  // namespace
}  // namespace selvage::plan
