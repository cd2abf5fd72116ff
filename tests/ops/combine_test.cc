#include <gtest/gtest.h>

#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{0, 0, 20, 10};

float CombinationOf(float a, float b, const std::string& params) {
  return OpTester("combine { with: 'b' " + params + " }")
      .Main(MakeConstant(MATTE, kRect, a))
      .With("with", MakeConstant(MATTE, kRect, b))
      .Render()
      .planes[0]
      .at(4, 4);
}

TEST(Combine, EachRuleByHand) {
  EXPECT_EQ(CombinationOf(0.5f, 0.25f, "rule: MAX"), 0.5f);
  EXPECT_EQ(CombinationOf(0.5f, 0.25f, "rule: MIN"), 0.25f);
  EXPECT_EQ(CombinationOf(0.5f, 0.25f, "rule: ADD"), 0.75f);
  EXPECT_EQ(CombinationOf(0.5f, 0.25f, "rule: SUBTRACT"), 0.25f);
  EXPECT_EQ(CombinationOf(0.5f, 0.25f, "rule: MULTIPLY"), 0.125f);
  EXPECT_EQ(CombinationOf(0.5f, 0.25f, "rule: UNION"), 0.625f);
}

TEST(Combine, ResultIsClamped) {
  EXPECT_EQ(CombinationOf(0.75f, 0.5f, "rule: ADD"), 1.0f);
  EXPECT_EQ(CombinationOf(0.25f, 0.5f, "rule: SUBTRACT"), 0.0f);
  EXPECT_EQ(CombinationOf(1.5f, 1.25f, "rule: MAX"), 1.0f);
}

TEST(Combine, AmountIsTheShareOfTheResult) {
  EXPECT_EQ(CombinationOf(0.25f, 0.75f, "rule: MAX amount { value: 0.5 }"), 0.5f);
  EXPECT_EQ(CombinationOf(0.25f, 0.75f, "rule: MAX amount { value: 0.25 }"), 0.375f);
}

TEST(Combine, AmountZeroIsTheIdentity) {
  for (const char* rule : {"MAX", "MIN", "ADD", "SUBTRACT", "MULTIPLY", "UNION"}) {
    OpTester(std::string("combine { with: 'b' amount { value: 0 } rule: ") + rule + " }").CheckIdentity();
  }
}

TEST(Combine, MixIsAsMuchOfTheOtherAsAmountAndMaskSay) {
  EXPECT_EQ(CombinationOf(0.25f, 0.75f, "rule: MIX"), 0.75f);
  EXPECT_EQ(CombinationOf(0.25f, 0.75f, "rule: MIX amount { value: 0.5 }"), 0.5f);
  for (const auto& [mask, mixed] : {std::pair{0.0f, 0.25f}, {1.0f, 0.5f}, {0.5f, 0.375f}}) {
    EXPECT_EQ(OpTester("combine { with: 'b' rule: MIX amount { value: 0.5 } mix: 'm' }")
                  .Main(MakeConstant(MATTE, kRect, 0.25f))
                  .With("with", MakeConstant(MATTE, kRect, 0.75f))
                  .With("mix", MakeConstant(MATTE, kRect, mask))
                  .Render()
                  .planes[0]
                  .at(4, 4),
              mixed)
        << mask;
  }
  // Of the other rules the mask is the share, too.
  EXPECT_EQ(OpTester("combine { with: 'b' rule: MAX mix: 'm' }")
                .Main(MakeConstant(MATTE, kRect, 0.25f))
                .With("with", MakeConstant(MATTE, kRect, 0.75f))
                .With("mix", MakeConstant(MATTE, kRect, 0.5f))
                .Render()
                .planes[0]
                .at(4, 4),
            0.5f);
}

TEST(Combine, EmptyOtherMatteIsTheIdentityOfTheSums) {
  for (const char* rule : {"MAX", "ADD", "SUBTRACT"}) {
    OpTester(std::string("combine { with: 'b' rule: ") + rule + " }")
        .Main(MakePicture(MATTE, kRect))
        .With("with", MakeConstant(MATTE, kRect, 0))
        .CheckIdentity();
  }
}

TEST(Combine, Laws) {
  for (const char* rule : {"MAX", "MIN", "ADD", "SUBTRACT", "MULTIPLY", "UNION", "MIX"}) {
    OpTester(std::string("combine { with: 'b' mix: 'm' rule: ") + rule + " }").CheckLaws();
    OpTester(std::string("combine { with: 'b' rule: ") + rule + " }").CheckLaws();
    OpTester(std::string("combine { with: 'b' amount { value: 0.3 } rule: ") + rule + " }").CheckLaws();
  }
}

}  // namespace
}  // namespace selvage::worker
