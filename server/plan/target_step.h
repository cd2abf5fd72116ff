// The steps that no stack holds: what writes a deliverable, and what makes a look of a
// pass.
#pragma once

#include <memory>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "proto/step.pb.h"
#include "server/plan/names.h"
#include "server/plan/plan.h"
#include "server/plan/resolve.h"

namespace selvage::plan {

Step DeliverStep(const Stack& stack, const Deliverable& d);

// The same at each frame, with what the plate's file says there beside its pixels.
class DeliverSteps final : public StepSource {
 public:
  explicit DeliverSteps(std::vector<Step> steps) : plain_(std::move(steps)) {}
  // Null where the file says nothing.
  void Add(int32_t frame, std::shared_ptr<const FileMetadata> metadata);
  std::shared_ptr<const std::vector<Step>> At(int32_t frame) const override;

 private:
  const StepResolver plain_;
  absl::flat_hash_map<int32_t, std::shared_ptr<const FileMetadata>> metadata_;
};

// A client gives a look in part and unchecked.
struct LookStep {
  Step step;
  std::vector<StackError> errors;
};
// `kinds`: of the passes that the look reads. REQUIRES: target.look.
LookStep CompleteLook(const Stack& stack, const NameTable& names, const std::vector<Kind>& kinds, const Target& target);

}  // namespace selvage::plan
