// Broken stacks, each with the place and the one sentence that it gets.
#include <chrono>

#include "gmock/gmock.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

struct BadStack {
  const char* law;
  // Appended to a good beginning, below; or a whole stack if it has frames.
  std::string text;
  std::string path;
  // What the message must say, in whatever words.
  std::vector<std::string> says;
};

constexpr char kBeginning[] = R"(
  name: "shot" frames { first: 1001 last: 1048 } format { width: 1920 height: 1080 }
  plate { name: "plate" files: "/shows/a/plate.%04d.exr" }
  plate { name: "clean" files: "/shows/a/clean.exr" }
  mask { name: "boots" shape { path: "M0 0H9V9Z" } }
  pass { name: "core" from: "plate" step { color_difference {} } }
)";

std::string Whole(const BadStack& bad) {
  const bool whole =
      bad.text.find("first:") != std::string::npos || bad.text.find("name: \"shot\"") != std::string::npos;
  return whole ? bad.text : kBeginning + bad.text;
}

std::string Pass(const std::string& step, const std::string& from = "core") {
  return "pass { name: \"p\" from: \"" + from + "\" step { " + step + " } }";
}

std::vector<BadStack> BadStacks() {
  return {
#include "tests/plan/bad_stacks.inc"
  };
}

TEST(BadStacks, TheBeginningIsGood) { EXPECT_THAT(Validate(ParseStack(kBeginning)), testing::IsEmpty()); }

TEST(BadStacks, EachGetsItsOneSentence) {
  for (const BadStack& bad : BadStacks()) {
    const std::vector<StackError> errors = Validate(ParseStack(Whole(bad)));
    ASSERT_EQ(errors.size(), 1u) << bad.law
                                 << (errors.empty() ? "" : "\n" + errors[0].message() + "\n" + errors.back().message());
    ASSERT_FALSE(bad.says.empty()) << bad.law;
    for (const std::string& part : bad.says) EXPECT_THAT(errors[0].message(), testing::HasSubstr(part)) << bad.law;
    EXPECT_EQ(errors[0].path(), bad.path) << bad.law;
  }
}

TEST(BadStacks, WhatOnlyLooksLikeOneIsGood) {
  for (
      const std::string text : {
          // Other folders, other names, other types.
          R"(deliver { name: "d" from: "core" files: "/shows/a/plate.%04d.tif" } deliver { name: "e" from: "core" files: "/shows/b/plate.%04d.exr" })",
          R"(deliver { name: "d" from: "core" files: "/shows/a/plate_%04d.exr" } deliver { name: "e" from: "core" files: "/shows/a/plate.x%04d.exr" })",
          // Four digits at least are what 1001 has anyway, but these are three more.
          R"(deliver { name: "d" from: "core" files: "/shows/a/plate.%07d.exr" })",
          R"(plate { name: "b" files: "/b.%d.exr" frames { first: 1 last: 1001 } missing: HOLD })",
          R"(plate { name: "b" files: "/b.%d.exr" frames { first: 1 last: 1 } missing: HOLD })",
          R"(plate { name: "b" files: "/b.%d.exr" offset: -1000 missing: HOLD })",
          // As many segments, however they are written.
          R"(mask { name: "m" shape { at { frame: 1001 path: "M0 0H9V9Z" } at { frame: 1010 path: "m1 1l9 1c1 1 2 2 3 3" } } })",
      }) {
    for (const StackError& e : Validate(ParseStack(kBeginning + text))) ADD_FAILURE() << e.message() << " of " << text;
  }
}

TEST(BadStacks, ThereAreAtLeastFortyOfThem) { EXPECT_GE(BadStacks().size(), 40u); }

TEST(BadStacks, FaultsComeInTheOrderOfTheStackAndAtMostFifty) {
  std::string text = kBeginning;
  text += "plate { name: \"x y\" files: \"rel.exr\" }";
  for (int i = 0; i < 60; ++i) text += "pass { name: \"p" + std::to_string(i) + "\" from: \"nobody\" }";
  const std::vector<StackError> errors = Validate(ParseStack(text));
  ASSERT_EQ(errors.size(), 50u);
  EXPECT_EQ(errors[0].path(), "plate[2].name");
  EXPECT_EQ(errors[1].path(), "plate[2].files");
  EXPECT_EQ(errors[2].path(), "pass[1].from");
  EXPECT_EQ(errors[49].path(), "pass[48].from");
}

TEST(BadStacks, AHundredThousandPassesAreOneFault) {
  Stack stack = ParseStack(kBeginning);
  for (int i = 0; i < 100'000; ++i) stack.add_pass()->set_name("p" + std::to_string(i));
  const auto errors = Validate(stack);
  ASSERT_EQ(errors.size(), 1u);
  EXPECT_EQ(errors[0].message(), "there are 100001 passes, allowed 4096");
}

// NaN and infinity cannot be written in every text format, but any client can send them.
TEST(BadStacks, NumbersMustBeFinite) {
  for (const auto& [value, word] : {std::pair{NAN, "nan"}, {INFINITY, "inf"}, {-INFINITY, "-inf"}}) {
    Stack stack = ParseStack(kBeginning);
    stack.add_pass()->set_name("p");
    stack.mutable_pass(1)->set_from("core");
    stack.mutable_pass(1)->add_step()->mutable_choke()->mutable_pixels()->set_value(value);
    const auto errors = Validate(stack);
    ASSERT_EQ(errors.size(), 1u);
    EXPECT_EQ(errors[0].message(),
              std::string("pass \"p\" step 1 (choke) pixels: ") + word + " is not a finite number");
    EXPECT_EQ(errors[0].path(), "pass[1].step[0].choke.pixels");
  }
}

TEST(BadStacks, FieldsAndValuesOfAnotherVersionAreRefused) {
  Stack stack = ParseStack(kBeginning);
  Step* step = stack.mutable_pass(0)->mutable_step(0);
  step->GetReflection()->MutableUnknownFields(step)->AddVarint(4711, 1);
  auto errors = Validate(stack);
  ASSERT_EQ(errors.size(), 1u);
  EXPECT_EQ(errors[0].path(), "pass[0].step[0]");
  EXPECT_EQ(errors[0].message(), "pass[0].step[0] has a field, number 4711, that this version doesn't know");

  stack = ParseStack(kBeginning);
  stack.mutable_pass(0)->set_keep(static_cast<Pass::Keep>(77));
  errors = Validate(stack);
  ASSERT_EQ(errors.size(), 1u);
  EXPECT_EQ(errors[0].message(), "pass[0].keep: 77 is not a value that this version knows");
}

TEST(BadStacks, LongChainsAndManyCyclesAreNoTrouble) {
  Stack chain = ParseStack(kBeginning);
  for (int i = 0; i < 4000; ++i) {
    auto* pass = chain.add_pass();
    pass->set_name("c" + std::to_string(i));
    // Users before inputs: the deepest way through.
    pass->set_from(i == 3999 ? "core" : "c" + std::to_string(i + 1));
    pass->add_step()->mutable_levels();
  }
  EXPECT_THAT(Validate(chain), testing::IsEmpty());

  Stack circle = ParseStack(kBeginning);
  for (int i = 0; i < 1000; ++i) {
    auto* pass = circle.add_pass();
    pass->set_name("c" + std::to_string(i));
    pass->set_from("c" + std::to_string((i + 1) % 1000));
    for (int k = 0; k < 50; ++k)
      pass->add_step()->mutable_combine()->set_with("c" + std::to_string((i * 7 + k * 13) % 1000));
  }
  EXPECT_THAT(Validate(circle), testing::SizeIs(testing::AllOf(testing::Ge(1u), testing::Le(50u))));
}

}  // namespace
}  // namespace selvage::plan
