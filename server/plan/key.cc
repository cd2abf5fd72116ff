#include "server/plan/key.h"

#include <algorithm>

#include "server/plan/canonical.h"
#include "server/plan/plan.h"

namespace selvage::plan {
namespace {

// 24 of 32 bytes tell settings apart: 192 bits.
constexpr size_t kSettingsBytes = 24;

}  // namespace

Digest PlateContent(const PlateRead& plate) {
  CanonicalWriter w("selvage plate");
  w.Bytes(plate.digest());
  w.U32(static_cast<uint32_t>(plate.encoding()));
  w.U32(static_cast<uint32_t>(plate.alpha()));
  // Only where it was chosen, so that other plates keep their keys.
  if (plate.part() > 0 || !plate.layer().empty()) {
    w.U32(plate.part());
    w.Bytes(plate.layer());
  }
  return w.Sha();
}

Digest RecipeOf(const Format& format, const Digest& steps, std::span<const RecipeInput> inputs, uint64_t epoch) {
  CanonicalWriter w("selvage recipe");
  w.U32(format.width());
  w.U32(format.height());
  w.Raw(steps);
  w.U32(static_cast<uint32_t>(inputs.size()));
  for (const RecipeInput& in : inputs) {
    w.I32(in.step);
    w.Bytes(in.port);
    w.I32(in.frame_offset);
    w.U8(static_cast<uint8_t>(in.type));
    if (in.type != InputType::kResult) w.Raw(in.content);
  }
  Digest recipe = w.Sha();
  for (size_t i = 0; i < 8; ++i) recipe.bytes[kSettingsBytes + i] ^= static_cast<uint8_t>(epoch >> (8 * i));
  return recipe;
}

bool SameSettings(const Digest& recipe_a, const Digest& recipe_b) {
  return std::equal(recipe_a.bytes.begin(), recipe_a.bytes.begin() + kSettingsBytes, recipe_b.bytes.begin());
}

ResultKey KeyOf(const Digest& recipe, std::span<const ResultKey> results) {
  CanonicalWriter w("selvage result");
  w.Raw(recipe);
  w.U32(static_cast<uint32_t>(results.size()));
  for (const ResultKey& r : results) w.Raw(r.digest);
  return {w.Sha()};
}

Digest TraceKey(const PlannedTask& task, const std::vector<Digest>& input_contents) {
  CanonicalWriter w("selvage trace");
  w.Raw(task.recipe);
  w.U32(static_cast<uint32_t>(input_contents.size()));
  for (const Digest& d : input_contents) w.Raw(d);
  return w.Sha();
}

}  // namespace selvage::plan
