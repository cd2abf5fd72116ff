#include "worker/chain/chain.h"

#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"
#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

const Rect kWindow{-7, 3, 144, 99};

OpContext Context() {
  OpContext context;
  context.format = {0, 0, 144, 99};
  context.frame = 1001;
  return context;
}

std::unique_ptr<Chain> MakeChain(const std::vector<std::string>& steps, std::vector<ChainInput> inputs) {
  std::vector<Step> parsed;
  for (const std::string& s : steps) parsed.push_back(MakeStep(s));
  auto chain = Chain::Make(Context(), std::move(parsed), std::move(inputs), 4);
  EXPECT_TRUE(chain.ok()) << chain.status();
  return *std::move(chain);
}

Picture Whole(Chain& chain) {
  Picture out;
  const absl::Status status = chain.Render(chain.window(), &out);
  EXPECT_TRUE(status.ok()) << status;
  return out;
}

TEST(Extend, RepeatsOrClearsOnEverySide) {
  const Picture p = MakePicture(MATTE, {0, 0, 5, 4});
  const Rect around{-3, -2, 9, 7};
  const Plane repeated = Extend(p.planes[0], around, Beyond::kRepeat);
  const Plane cleared = Extend(p.planes[0], around, Beyond::kTransparent);
  for (int y = around.y0; y < around.y1; ++y) {
    for (int x = around.x0; x < around.x1; ++x) {
      const bool inside = x >= 0 && x < 5 && y >= 0 && y < 4;
      EXPECT_EQ(repeated.at(x, y), p.planes[0].at(std::clamp(x, 0, 4), std::clamp(y, 0, 3)));
      EXPECT_EQ(cleared.at(x, y), inside ? p.planes[0].at(x, y) : 0.0f);
    }
  }
}

TEST(Extend, ARectangleFarOutsideSeesTheNearestEdge) {
  const Rect window{0, 0, 10, 10};
  const Picture p = MakePicture(MATTE, window);
  const Rect far{20, -9, 24, -5};
  const Rect part = PartInside(far, window, Beyond::kRepeat);
  EXPECT_EQ(part, (Rect{9, 0, 10, 1}));
  const Plane out = Extend(Crop(p, part).planes[0], far, Beyond::kRepeat);
  EXPECT_EQ(out.at(22, -7), p.planes[0].at(9, 0));
  EXPECT_TRUE(PartInside(far, window, Beyond::kTransparent).empty());
}

TEST(Chain, WithoutStepsIsItsSource) {
  const Picture in = MakePicture(PREMULTIPLIED, kWindow);
  const auto chain = MakeChain({}, {{0, "in", 0, MakeSource(in, kWindow), {}}});
  EXPECT_EQ(chain->window(), kWindow);
  EXPECT_TRUE(SameBits(Whole(*chain), in));
}

// Each step's own output ends at its window and is repeated beyond it: the same
// as rendering whole pictures one after another.
TEST(Chain, EqualsItsStepsOneByOne) {
  const std::vector<std::string> steps = {
      "soften { sigma { value: 2.3 } }", "levels { black { value: 0.2 } white { value: 0.7 } gamma { value: 1.3 } }",
      "soften { sigma { value: 1.1 } }", "choke { pixels { value: 1.5 } }", "levels { invert: true }"};
  Picture in = MakePicture(MATTE, kWindow);
  const auto chain = MakeChain(steps, {{0, "in", 0, MakeSource(in, kWindow), {}}});
  for (const std::string& step : steps) {
    const auto one = MakeChain({step}, {{0, "in", 0, MakeSource(in, kWindow), {}}});
    in = Whole(*one);
  }
  EXPECT_TRUE(SameBits(Whole(*chain), in));
}

std::unique_ptr<Chain> LongChain(int shift) {
  const Rect other = {kWindow.x0 + 20, kWindow.y0 - 10, kWindow.x1 + shift, kWindow.y1 - 30};
  return MakeChain({"soften { sigma { value: 1.7 } }", "attach_matte { matte: 'm' }", "premultiply {}",
                    "composite { with: 'b' }", "soften { sigma { value: 0.8 } }", "composite { with: 'c' rule: XOR }"},
                   {{0, "in", 0, MakeSource(MakePicture(OPAQUE, kWindow, 1), kWindow), {}},
                    {1, "matte", 0, MakeSource(MakePicture(MATTE, other, 2), other), {}},
                    {3, "with", 0, MakeSource(MakePicture(PREMULTIPLIED, other, 3), other), {}},
                    {5, "with", 0, MakeSource(MakeConstant(OPAQUE, kWindow, 0.2f), kWindow), {}}});
}

TEST(Chain, TilesWithSideInputsOfOtherWindowsAreTheWhole) {
  const auto chain = LongChain(15);
  EXPECT_EQ(chain->window(), (Rect{kWindow.x0, kWindow.y0 - 10, kWindow.x1 + 15, kWindow.y1}));
  const Picture whole = Whole(*chain);
  for (int side : {16, 37, 64}) {
    for (int y = chain->window().y0; y < chain->window().y1; y += side) {
      for (int x = chain->window().x0; x < chain->window().x1; x += side) {
        const Rect tile = Rect{x, y, x + side, y + side}.Intersect(chain->window());
        Picture part;
        ASSERT_TRUE(chain->Render(tile, &part).ok());
        ASSERT_TRUE(SameBits(part, Crop(whole, tile)));
      }
    }
  }
}

TEST(Chain, EveryTargetGivesTheSameBits) {
  const auto chain = LongChain(15);
  const Picture first = Whole(*chain);
  ForEverySimdTarget([&] { ASSERT_TRUE(SameBits(Whole(*chain), first)); });
}

TEST(Chain, ReachIsTheSumOfItsSteps) {
  const auto chain = MakeChain({"soften { sigma { value: 2 } }", "levels {}", "soften { sigma { value: 1.1 } }"},
                               {{0, "in", 0, MakeSource(MakePicture(MATTE, kWindow), kWindow), {}}});
  EXPECT_EQ(chain->Reach(), 8 + 5);
}

// What a source is told before and asked for after.
class Watched : public Source {
 public:
  explicit Watched(std::shared_ptr<Source> below) : below_(std::move(below)) {}
  Kind kind() const override { return below_->kind(); }
  Rect window() const override { return below_->window(); }
  absl::Status Prefetch(const std::vector<Rect>& rects) override {
    told_ = rects;
    return absl::OkStatus();
  }
  absl::Status Describe(const Rect& rect, std::string* out) override { return below_->Describe(rect, out); }
  absl::Status Read(const Rect& rect, Picture* out) override {
    ++reads_;
    foretold_ = foretold_ && std::any_of(told_.begin(), told_.end(), [&](const Rect& r) { return r.Contains(rect); });
    return below_->Read(rect, out);
  }
  bool foretold_ = true;
  int reads_ = 0;

 private:
  std::shared_ptr<Source> below_;
  std::vector<Rect> told_;
};

TEST(Chain, EveryReadIsForetold) {
  auto main = std::make_shared<Watched>(MakeSource(MakePicture(MATTE, kWindow), kWindow));
  auto side = std::make_shared<Watched>(MakeSource(MakePicture(MATTE, {0, 0, 30, 30}), {0, 0, 30, 30}));
  const auto chain = MakeChain({"soften { sigma { value: 3 } }", "patch { with: 'b' mask: 'm' sigma { value: 2 } }"},
                               {{0, "in", 0, main, {}}, {1, "with", 0, side, {}}, {1, "mask", 0, side, {}}});
  for (const Rect& r : {Rect{0, 10, 50, 50}, Rect{100, 90, 144, 99}}) {
    ASSERT_TRUE(chain->Prefetch({r}).ok());
    Picture out;
    ASSERT_TRUE(chain->Render(r, &out).ok());
  }
  EXPECT_TRUE(main->foretold_);
  EXPECT_TRUE(side->foretold_);
  EXPECT_EQ(main->reads_, 2);
}

TEST(Chain, ErrorsNameTheStepAsTheArtistCountsThem) {
  const auto chain = MakeChain({"levels {}", "levels { black { value: 0.7 } white { value: 0.1 } }"},
                               {{0, "in", 0, MakeSource(MakePicture(MATTE, kWindow), kWindow), {}}});
  Picture out;
  const absl::Status status = chain->Render(chain->window(), &out);
  EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(status.message(), "step 6 (levels): white is below black");
}

TEST(Chain, StopsBetweenSteps) {
  OpContext context = Context();
  int asked = 0;
  context.stopped = [&] { return ++asked > 1; };
  auto chain = Chain::Make(context, {MakeStep("levels {}"), MakeStep("levels {}")},
                           {{0, "in", 0, MakeSource(MakePicture(MATTE, kWindow), kWindow), {}}}, 0);
  ASSERT_TRUE(chain.ok());
  Picture out;
  EXPECT_EQ((*chain)->Render(kWindow, &out).code(), absl::StatusCode::kCancelled);
}

TEST(Chain, MissingInputIsAnError) {
  EXPECT_EQ(Chain::Make(Context(), {MakeStep("within { mask: 'm' }")},
                        {{0, "in", 0, MakeSource(MakePicture(MATTE, kWindow), kWindow), {}}}, 0)
                .status()
                .message(),
            "step 1 (within): its input \"mask\" is missing");
  EXPECT_EQ(Chain::Make(Context(), {MakeStep("levels {}")}, {}, 0).status().code(), absl::StatusCode::kInternal);
  EXPECT_EQ(Chain::Make(Context(), {Step()}, {}, 0).status().code(), absl::StatusCode::kInternal);
  EXPECT_EQ(Chain::Make(Context(), {}, {}, 0).status().code(), absl::StatusCode::kInternal);
}

}  // namespace
}  // namespace selvage::worker
