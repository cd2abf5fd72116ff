// The noise that a step was given, in one of the ways that operators share.
#pragma once

#include <optional>

#include "absl/status/statusor.h"
#include "worker/chain/op.h"
#include "worker/kernels/motion/noise.h"

namespace selvage::worker {

// White noise of a profile.
NoiseMeasurement NoiseOf(const Degrain::Profile& profile);

// For parameters with a box `sample` or a `profile`: what was measured in the
// box, else the profile, else nothing.
// Errors: INVALID_ARGUMENT the measured numbers are not a profile.
template <class Params>
absl::StatusOr<std::optional<NoiseMeasurement>> GivenNoise(const Params& params, const Inputs& in) {
  if (const Input* measured = in.Find("sample")) {
    auto noise = NoiseMeasurement::FromNumbers(measured->numbers);
    if (!noise.ok()) return noise.status();
    return *std::move(noise);
  }
  if (params.has_profile()) return NoiseOf(params.profile());
  return std::nullopt;
}

}  // namespace selvage::worker
