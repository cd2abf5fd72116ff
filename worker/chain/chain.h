// Evaluates the steps of a segment for any rectangle of its result. Knows
// nothing of stores, files or tiles: inputs are Sources.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "proto/catalogue.h"
#include "worker/chain/op.h"
#include "worker/chain/source.h"
#include "worker/chain/spans.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// One input of a chain.
struct ChainInput {
  // Index of the step that reads it; the main input of the first step (or of a
  // chain without steps) is (0, "in").
  int step = 0;
  std::string port;
  int frame_offset = 0;
  std::shared_ptr<Source> source;
  // Instead of a source: values of a measuring step's blob, or all of it.
  std::vector<float> numbers;
  std::shared_ptr<const Measurement> measured;
};

// The part of `window` that is read for `rect`: for kRepeat the pixels nearest
// to it, at least one even where they don't overlap.
Rect PartInside(const Rect& rect, const Rect& window, Beyond beyond);

// Grows a plane that covers PartInside(rect, window, beyond) to `rect`.
Plane Extend(const Plane& inside, const Rect& rect, Beyond beyond);

class Chain {
 public:
  // `first_step` is the index of the first step in its pass, for messages. `spans`: where its time
  // is written down.
  // Errors: INTERNAL an unknown operator, or a step without main input.
  static absl::StatusOr<std::unique_ptr<Chain>> Make(const OpContext& context, std::vector<Step> steps,
                                                     std::vector<ChainInput> inputs, uint32_t first_step,
                                                     const TaskSpans& spans = {});

  Kind kind() const { return kind_; }
  // Of the result. Empty for a blob.
  const Rect& window() const { return window_; }
  // A heavy step renders its whole window in one go.
  bool heavy() const { return heavy_; }
  bool full_precision() const { return full_precision_; }
  // Pixels around a rectangle that the chain reads of its source.
  int Reach() const;

  // Appends bytes that say what all of the result depends on: windows and kinds
  // of the inputs and of the steps, what was measured.
  void DescribeShape(std::string* out) const;
  // Appends bytes that say all that rendering `rect` will read. With the shape
  // and the tile recipe they decide its pixels.
  absl::Status Describe(const Rect& rect, std::string* out) const;
  // The same of a blob, which is made in one go.
  absl::Status DescribeBlob(std::string* out) const;
  // All that it reads is in what Describe says: nothing measured is.
  bool ReadsOnlyPictures() const;

  // Tells the sources what rendering `rects` will read.
  absl::Status Prefetch(const std::vector<Rect>& rects);
  // `rect` lies inside the window, or is empty.
  absl::Status Render(const Rect& rect, Picture* out) const;
  absl::StatusOr<std::string> RenderBlob();

 private:
  struct Link {
    const Operator* info = nullptr;
    const Op* op = nullptr;
    const google::protobuf::Message* params = nullptr;
    Kind kind = KIND_UNSPECIFIED;
    Rect window;
    // Without pictures; sources[i] belongs to inputs[i], null where the step
    // before is read, or numbers are.
    std::vector<Input> inputs;
    std::vector<std::shared_ptr<Source>> sources;
  };

  Chain() = default;
  absl::Status AddLink(int index, std::vector<ChainInput>* inputs);
  // The result of step `index` (-1: the source) over `rect`, filled in beyond its window.
  absl::Status Evaluate(int index, const Rect& rect, Beyond beyond, Picture* out) const;
  absl::Status RenderLink(int index, const Rect& rect, Picture* out) const;
  absl::StatusOr<Inputs> Gather(int index, const Rect& rect) const;
  absl::Status Annotated(int index, const absl::Status& status) const;
  absl::Status DescribeLast(const Rect& rect, std::string* out) const;
  void CollectReads(int index, const Rect& rect, std::vector<std::pair<Source*, Rect>>* reads) const;

  OpContext context_;
  std::vector<Step> steps_;
  std::vector<Link> links_;
  // Of a chain without steps.
  std::shared_ptr<Source> source_;
  Kind kind_ = KIND_UNSPECIFIED;
  Rect window_;
  bool heavy_ = false;
  bool full_precision_ = false;
  uint32_t first_step_ = 0;
  TaskSpans spans_;
};

}  // namespace selvage::worker
