#include "worker/inputs/motion_input.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/kernels/motion/motion_pair.h"

namespace selvage::worker {

std::vector<const Input*> InputsAround(const Inputs& in, const std::string& port) {
  std::vector<const Input*> around;
  for (const Input& input : in.all()) {
    if (input.port == port && input.frame_offset != 0 && !input.picture.rect().empty()) around.push_back(&input);
  }
  std::sort(around.begin(), around.end(),
            [](const Input* a, const Input* b) { return a->frame_offset < b->frame_offset; });
  return around;
}

absl::StatusOr<std::optional<VectorField>> MotionTo(const Inputs& in, const std::string& port, int offset) {
  const Input* input = in.Find(absl::StrCat(port, ".motion", offset > 0 ? "+" : "", offset));
  if (input == nullptr || !input->measured) return std::optional<VectorField>();
  ASSIGN_OR_RETURN(MotionPair pair, DecodeMotion(input->measured->motion()));
  return std::optional(std::move((offset > 0 ? pair.there : pair.back).vectors));
}

}  // namespace selvage::worker
