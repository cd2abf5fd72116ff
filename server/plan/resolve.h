// Values at a frame: key frames become plain values, defaults are filled in.
#pragma once

#include <memory>
#include <string>
#include <unordered_map>
#include <vector>

#include "proto/digest.h"
#include "proto/farm.pb.h"
#include "proto/stack.pb.h"
#include "proto/svg_path.h"

namespace selvage::plan {

// Share of the way from one key frame to the next, eased. 0 <= u <= 1.
double Eased(Ease ease, double u);

// Value of an animated number; `otherwise` where it has neither value nor key
// frames. Before the first key frame and after the last, the nearest one holds.
// Shutters ask between frames.
double NumberAt(const Number& number, double frame, double otherwise);

// A step at a frame: numbers and colours hold plain values with defaults filled
// in, also in messages that were left out. Names of inputs become the path of
// their port and boxes to measure become empty, so that what the recipe leaves
// out cannot reach a pixel. -0 becomes +0.
Step ResolveStep(const Step& step, int32_t frame);
// Whether any number of it has key frames.
bool IsAnimated(const Step& step);

struct ResolvedSteps {
  std::shared_ptr<const std::vector<Step>> steps;
  // Of operators, revisions and canonical parameters.
  Digest digest;
};
// REQUIRES: the steps are resolved.
ResolvedSteps AsResolved(std::vector<Step> steps);

// The steps of one segment, resolved once for each distinct set of values.
class StepResolver {
 public:
  explicit StepResolver(std::vector<Step> steps);

  const ResolvedSteps& At(int32_t frame);

 private:
  struct Entry {
    Step as_written, resolved;
    // Canonical bytes of `resolved`.
    std::string bytes;
    bool animated = false;
  };
  std::vector<Entry> entries_;
  bool animated_ = false;
  std::unordered_map<Digest, ResolvedSteps, DigestHash> known_;
  const ResolvedSteps* last_ = nullptr;
};

// One mask, its paths parsed once, resolved once for each distinct shape.
// REQUIRES: Validate found nothing in it.
class MaskResolver {
 public:
  explicit MaskResolver(const Mask& mask);

  struct Resolved {
    std::shared_ptr<const ResolvedMask> mask;
    Digest digest;
  };
  const Resolved& At(int32_t frame);

 private:
  ResolvedMask Resolve(int32_t frame) const;
  // Adds the shapes of one instant.
  void AddShapes(double frame, ResolvedMask* out) const;

  const Mask& mask_;
  // For each shape its one path, or one for each key frame.
  std::vector<std::vector<SvgPath>> paths_;
  bool animated_ = false;
  std::unordered_map<Digest, Resolved, DigestHash> known_;
  const Resolved* last_ = nullptr;
};

}  // namespace selvage::plan
