// What a result was made of, and the first thing in which two differ, in an
// artist's words.
#pragma once

#include <functional>
#include <optional>
#include <string>

#include "proto/ingredients.pb.h"
#include "server/plan/plan.h"

namespace selvage::plan {

// For people: numbers of a reduced stack are those of the full size.
Ingredients IngredientsOf(const Plan& plan, const PlannedTask& task);

// Two segments of the same place in a pass.
struct Difference {
  // "levels.white 0.82 -> 0.79", "plate \"plate\": file contents changed"; "" for none
  // of its own.
  std::string text;
  // Set instead: the first result it reads that is another one now.
  std::optional<ResultKey> input;
  std::string input_name;
};
// `name_of` gives a step the name that its author knows it by ("levels[2]").
using StepName = std::function<std::string(int step)>;
// `frame`: of the segment.
Difference FirstDifference(const Ingredients& before, const Ingredients& now, int32_t frame, const StepName& name_of);

}  // namespace selvage::plan
