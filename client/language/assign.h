// `--set`: changes one value of a stack without touching its file.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "proto/stack.pb.h"

namespace selvage::client {

// assignment = PATH=VALUE. PATH starts with the name of a pass, plate, mask or
// deliverable, or with `frames` or `format`; then fields, dot by dot. In a pass
// the name of an operator stands for the first step with it, `operator[2]` for
// the second. VALUE is written as in a stack, a text without its quotes.
//   comp_grade.grade.stops=0.3
//   core.levels[2].white=0.8
//   comp_grade.grade.gain=1.1,1,0.9
//   plate.encoding=srgb
//   frames.last=1010
// `@FRAME` behind the field changes one key frame of a number or colour that has
// key frames, or adds one: between it and its neighbours the value moves. A
// number without key frames holds for the whole shot, so there @FRAME is refused:
// nothing could be meant by it but a change of all frames.
//   comp_grade.grade.stops@1020=0.5
// Errors: INVALID_ARGUMENT that names the part that was not found and what is there.
absl::Status Assign(const std::string& assignment, Stack* stack);

}  // namespace selvage::client
