#include "server/engine/names.h"

#include <utility>

#include "server/engine/state_format.h"
#include "server/plan/ingredients.h"

namespace selvage {

NameRecord NameOf(const plan::Plan& plan, const plan::PlannedTask& task) {
  NameRecord n;
  n.stack = plan.stack_name;
  n.pass = task.pass;
  n.segment = task.segment;
  n.frame = task.frame;
  n.key = task.key;
  n.recipe = task.recipe;
  return n;
}

void AddName(const plan::Plan& plan, const plan::PlannedTask& task, IndexBatch* batch) {
  NameRecord name = NameOf(plan, task);
  batch->values.emplace_back(state::IngredientsName(name), plan::IngredientsOf(plan, task).SerializeAsString());
  batch->values.emplace_back(state::LookedName(name), "");
  batch->names.push_back(std::move(name));
}

void AddLooked(const plan::Plan& plan, const plan::PlannedTask& task, IndexBatch* batch) {
  // The picture itself is nobody's result.
  if (task.pass == "look") return;
  batch->values.emplace_back(state::LookedName(NameOf(plan, task)), task.key.digest.str());
}

}  // namespace selvage
