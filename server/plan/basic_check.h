// Checks that several parts of a stack share.
#pragma once

#include <string>

#include "proto/stack.pb.h"
#include "server/plan/faults.h"
#include "server/plan/plan.h"

namespace selvage::plan {

// Room for windows around it in 32 bits, and for six digits and a sign.
inline constexpr int32_t kMaxFrame = 10'000'000;

// An item of a list of the stack: "pass[1]", `pass "core"`.
Place PlaceOf(const char* list, int index, const std::string& name);

bool CheckName(const Place& at, const std::string& name, Faults* faults);
bool CheckFrames(const Place& at, bool given, const FrameRange& range, const Limits& limits, Faults* faults);

}  // namespace selvage::plan
