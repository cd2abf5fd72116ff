#include "worker/inputs/noise_input.h"

namespace selvage::worker {

NoiseMeasurement NoiseOf(const Degrain::Profile& profile) {
  const Color &a = profile.a(), &b = profile.b();
  NoiseMeasurement noise;
  noise.curves = {{{static_cast<float>(a.r()), static_cast<float>(b.r())},
                   {static_cast<float>(a.g()), static_cast<float>(b.g())},
                   {static_cast<float>(a.b()), static_cast<float>(b.b())}}};
  return noise;
}

}  // namespace selvage::worker
