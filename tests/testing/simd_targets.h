// Runs a test body once for every SIMD target that this CPU has.
#pragma once

#include <gtest/gtest.h>

#include <cstdint>

#include "hwy/highway.h"
#include "hwy/targets.h"

namespace selvage::worker {

template <class Body>
void ForEverySimdTarget(const Body& body) {
  hwy::SetSupportedTargetsForTest(0);
  // What the library was built for and the CPU can do.
  const int64_t attainable = hwy::SupportedTargets() & HWY_TARGETS;
  for (int64_t rest = attainable; rest != 0; rest &= rest - 1) {
    const int64_t target = rest & -rest;
    SCOPED_TRACE(hwy::TargetName(target));
    hwy::SetSupportedTargetsForTest(target);
    // Otherwise the choice made by the first call would stay.
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    body();
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
}

}  // namespace selvage::worker
