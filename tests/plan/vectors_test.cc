// Golden vectors: the keys of tests/vectors/five_passes.stack. A difference here
// makes every stored result of every user unreachable. Where that is meant (a
// raised revision, a new canonical version; the lines of deliverables change with
// the version, which is in their files), write them anew with
//   SELVAGE_WRITE_VECTORS=1 plan_tests --gtest_filter='Vectors.*'
// and say why in the commit.
#include <cstdlib>
#include <fstream>
#include <sstream>

#include "absl/strings/str_cat.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

std::string ReadFile(const std::string& name) {
  std::ifstream in(std::string(SELVAGE_SOURCE_DIR) + "/tests/vectors/" + name);
  EXPECT_TRUE(in.good()) << name;
  std::stringstream text;
  text << in.rdbuf();
  return text.str();
}

std::string Describe(const Plan& plan) {
  std::string text = "# pass segment frame recipe key trace(inputs of content 00..00)\n";
  for (const PlannedTask& t : plan.tasks) {
    size_t results = 0;
    for (const PlannedInput& in : t.inputs) results += in.result.has_value();
    absl::StrAppend(&text, t.pass, " ", t.segment, " ", t.frame, " ", t.recipe.Hex(), " ", t.key.Hex(), " ",
                    TraceKey(t, std::vector<Digest>(results)).Hex(), "\n");
  }
  return text;
}

TEST(Vectors, KeysAreThoseOfTheFile) {
  const Stack stack = ParseStack(ReadFile("five_passes.stack"));
  const std::string now = Describe(PlanAll(stack));
  const char* write = std::getenv("SELVAGE_WRITE_VECTORS");
  if (write != nullptr && std::string(write) == "1") {
    std::ofstream(std::string(SELVAGE_SOURCE_DIR) + "/tests/vectors/five_passes.keys") << now;
    GTEST_SKIP() << "vectors written, nothing compared";
  }
  EXPECT_EQ(now, ReadFile("five_passes.keys"));
}

// The same through another epoch: only the last eight bytes of the recipe move.
TEST(Vectors, EpochIsInTheLastEightBytesOfTheRecipe) {
  const Stack stack = ParseStack(ReadFile("five_passes.stack"));
  const Plan before = PlanAll(stack);
  const Plan after = PlanAll(stack, {}, [](const std::string& pass, int32_t) { return pass == "core" ? 0x0102u : 0u; });
  const PlannedTask *a = FindTask(before, "core", 1001), *b = FindTask(after, "core", 1001);
  ASSERT_TRUE(a != nullptr && b != nullptr);
  EXPECT_EQ(a->recipe.Hex().substr(0, 48), b->recipe.Hex().substr(0, 48));
  EXPECT_EQ(a->recipe.bytes[24] ^ b->recipe.bytes[24], 0x02);
  EXPECT_EQ(a->recipe.bytes[25] ^ b->recipe.bytes[25], 0x01);
  EXPECT_EQ(a->recipe.Hex().substr(52), b->recipe.Hex().substr(52));
}

}  // namespace
}  // namespace selvage::plan
