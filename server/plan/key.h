// Recipes, result keys and trace keys.
#pragma once

#include <cstdint>
#include <span>
#include <string_view>

#include "proto/digest.h"
#include "proto/farm.pb.h"
#include "proto/stack.pb.h"

namespace selvage::plan {

// DO NOT CHANGE the numbers.
enum class InputType : uint8_t { kResult = 1, kPlate = 2, kMask = 3 };

// An input as a recipe sees it: where it goes and what it is, never its name.
struct RecipeInput {
  int step = -1;
  std::string_view port;
  int frame_offset = 0;
  InputType type = InputType::kResult;
  // Of a plate or mask; not read for a result.
  Digest content;
};

// A plate frame: content of the file and how it is decoded, not where it lies.
Digest PlateContent(const PlateRead& plate);

// The segment's own recipe. `steps` is ResolvedSteps::digest. The
// epoch only changes the last eight bytes, so that a recipe that was
// invalidated can be told from one whose settings changed.
Digest RecipeOf(const Format& format, const Digest& steps, std::span<const RecipeInput> inputs, uint64_t epoch);
// Equal but for the epoch.
bool SameSettings(const Digest& recipe_a, const Digest& recipe_b);

// Recipe and the keys of the results it reads, in the order of the inputs.
ResultKey KeyOf(const Digest& recipe, std::span<const ResultKey> results);

}  // namespace selvage::plan
