// Values at a frame: key frames become plain values, defaults are filled in.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "proto/digest.h"
#include "proto/farm.pb.h"
#include "proto/stack.pb.h"
#include "server/plan/at_frame.h"

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
// Whether any number in a message has key frames.
bool HasKeyFrames(const google::protobuf::Message& m);
// Of operators, revisions and canonical parameters. REQUIRES: they are resolved.
Digest DigestOf(const std::vector<Step>& steps);

using StepsAt = AtFrame<std::vector<Step>>;

// What the steps of a segment are at a frame.
class StepSource : public StepsAt::Source {
 public:
  // Of the steps at that frame, as DigestOf.
  virtual Digest DigestAt(int32_t frame) const { return DigestOf(*At(frame)); }
};

// Steps as written, resolved.
class StepResolver final : public StepSource {
 public:
  explicit StepResolver(std::vector<Step> steps);

  std::shared_ptr<const std::vector<Step>> At(int32_t frame) const override;
  Digest DigestAt(int32_t frame) const override;

 private:
  struct Entry {
    // As written; without its key frames, which may be many and need not be copied
    // for each frame.
    Step written, bare;
    bool animated = false;
    // What it adds to the digest, where it is not animated.
    std::string bytes;
  };
  std::vector<Entry> entries_;
  // Where none is animated.
  std::shared_ptr<const std::vector<Step>> resolved_;
  Digest digest_;
};

}  // namespace selvage::plan
