// The steps that no stack holds: what writes a deliverable, and what makes a look of a
// pass.
#pragma once

#include <vector>

#include "proto/step.pb.h"
#include "server/plan/names.h"
#include "server/plan/plan.h"

namespace selvage::plan {

Step DeliverStep(const Stack& stack, const Deliverable& d);

// A client gives a look in part and unchecked.
struct LookStep {
  Step step;
  std::vector<StackError> errors;
};
// `kinds`: of the passes that the look reads. REQUIRES: target.look.
LookStep CompleteLook(const Stack& stack, const NameTable& names, const std::vector<Kind>& kinds, const Target& target);

}  // namespace selvage::plan
