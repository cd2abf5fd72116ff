// Checks of deliverables: what they are made of, and where they land.
#pragma once

#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "proto/stack.pb.h"
#include "server/plan/basic_check.h"
#include "server/plan/file_clash.h"
#include "server/plan/validate_pass.h"

namespace selvage::plan {

class DeliverCheck {
 public:
  DeliverCheck(const Stack& stack, const Limits& limits, const PassCheck& passes, Faults* faults);

  // In the order of the stack.
  void Check(int index);

 private:
  void CheckFrom(const Place& at, const std::string& from) const;
  bool CheckWithinShot(const Place& at, const FrameRange& range) const;
  void CheckFiles(const Place& at, int index, bool frames_good);
  void CheckClashes(const Place& at, int index, const Frames& frames);
  void CheckLayers(const Place& at, const Deliverable& d) const;

  // Whose files they are, in words, and which.
  struct Owner {
    std::string words;
    FileNames files;
  };

  const Stack& stack_;
  const Limits& limits_;
  const PassCheck& passes_;
  Faults* faults_;
  absl::flat_hash_map<std::string, int> names_;
  // Plates, and the deliverables so far.
  std::vector<Owner> owners_;
  // Names of files that may still be compared one by one.
  int64_t looks_ = 1'000'000;
};

}  // namespace selvage::plan
