// Names: what a result is remembered as, by stack, pass, segment and frame.
#pragma once

#include "cache/result_index.h"
#include "server/plan/plan.h"

namespace selvage {

NameRecord NameOf(const plan::Plan& plan, const plan::PlannedTask& task);
// The task's result is what its name stands for from now on, with what it was
// made of: as it was submitted, which is what `why` compares with.
void AddName(const plan::Plan& plan, const plan::PlannedTask& task, IndexBatch* batch);
// A look rendered it. `why` knows nothing of that, but the next render at this
// place may reuse its tiles.
void AddLooked(const plan::Plan& plan, const plan::PlannedTask& task, IndexBatch* batch);

}  // namespace selvage
