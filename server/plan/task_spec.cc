// A planned task as a worker gets it.
#include "server/plan/plan.h"

namespace selvage::plan {

TaskSpec MakeTaskSpec(const Plan& plan, const PlannedTask& task,
                      const std::function<const Manifest*(const ResultKey&)>& manifest_of) {
  TaskSpec spec;
  spec.set_key(task.key.digest.str());
  *spec.mutable_format() = plan.format;
  for (const Step& step : *task.steps) *spec.add_step() = step;
  for (const PlannedInput& in : task.inputs) {
    TaskInput* out = spec.add_input();
    out->set_step(in.step);
    out->set_port(in.port);
    out->set_frame_offset(in.frame_offset);
    out->set_name(in.name);
    if (in.plate) {
      *out->mutable_plate() = *in.plate;
    } else if (in.mask) {
      *out->mutable_mask() = *in.mask;
    } else if (in.result) {
      if (const Manifest* manifest = manifest_of(*in.result)) *out->mutable_stored() = *manifest;
    }
  }
  spec.set_stack(plan.stack_name);
  spec.set_pass(task.pass);
  spec.set_frame(task.frame);
  spec.set_first_step(task.first_step);
  spec.set_tile_recipe(task.tile_recipe.str());
  return spec;
}

}  // namespace selvage::plan
