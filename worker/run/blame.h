// Which input of which task of a bundle went wrong.
#pragma once

#include <memory>
#include <utility>
#include <vector>

#include "worker/chain/not_finite.h"
#include "worker/chain/source.h"

namespace selvage::worker {

struct Blame {
  // Index of the inner task; -1: the task itself.
  int inner = -1;
  int input = 0;
  // What failed first is to blame: whoever reads it fails because of it.
  bool settled = false;

  void Opening(int of_inner, int of_input) {
    if (!settled) inner = of_inner, input = of_input;
  }
  void Settle(int of_inner, int of_input) {
    Opening(of_inner, of_input);
    settled = true;
  }
};

// Says so when reading fails.
class Blamed final : public Source, public CountsNotFinite {
 public:
  Blamed(std::shared_ptr<Source> below, int inner, int input, Blame* blame)
      : below_(std::move(below)), inner_(inner), input_(input), blame_(blame) {}
  Kind kind() const override { return below_->kind(); }
  Rect window() const override { return below_->window(); }
  uint64_t not_finite() const override {
    const auto* counts = dynamic_cast<const CountsNotFinite*>(below_.get());
    return counts == nullptr ? 0 : counts->not_finite();
  }
  absl::Status Prefetch(const std::vector<Rect>& rects) override { return Note(below_->Prefetch(rects)); }
  absl::Status Describe(const Rect& rect, std::string* out) override { return Note(below_->Describe(rect, out)); }
  absl::Status Read(const Rect& rect, Picture* out) override { return Note(below_->Read(rect, out)); }

 private:
  absl::Status Note(absl::Status status) {
    if (!status.ok()) blame_->Settle(inner_, input_);
    return status;
  }
  const std::shared_ptr<Source> below_;
  const int inner_, input_;
  Blame* const blame_;
};

}  // namespace selvage::worker
