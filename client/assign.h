// `--set`: changes one value of a stack without touching its file.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "proto/stack.pb.h"

namespace selvage::client {

// assignment = PATH=VALUE. PATH starts with the name of a pass, plate, mask or
// deliverable, or with `frames` or `format`; then fields, dot by dot. In a pass
// the name of an operator stands for the first step with it, `operator[2]` for
// the second. `@FRAME` at the end sets the key frame of a number at that frame.
//   comp_grade.grade.stops=0.3
//   core.levels[2].white=0.8
//   comp_grade.grade.stops@1020=0.5
//   comp_grade.grade.gain=1.1,1,0.9
//   frames.last=1010
// Errors: INVALID_ARGUMENT that names the part that was not found and what is there.
absl::Status Assign(const std::string& assignment, Stack* stack);

}  // namespace selvage::client
