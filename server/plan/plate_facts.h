// Plate files as their facts show them, checked against each other.
#pragma once

#include <memory>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "server/plan/plan.h"

namespace selvage::plan {

class PlateTable {
 public:
  struct Entry {
    std::shared_ptr<const PlateRead> read;
    // Of content and decoding: what enters a recipe.
    Digest content;
    // Null where the file says nothing beside its pixels.
    std::shared_ptr<const FileMetadata> metadata;
  };

  // Adds to `errors`: a file without facts, a plate that changes size in
  // mid-sequence, a window beyond the limits, a file in which the plate's picture is
  // not to be found or must be chosen. At most one for each plate.
  PlateTable(const Stack& stack, const PlateFiles& files, const FactsOf& facts, const Limits& limits,
             std::vector<StackError>* errors);

  // REQUIRES: the files had that frame.
  const Entry& At(int plate, int32_t frame) const;
  // Size of the first plate at its first frame.
  const Format& first_format() const { return first_format_; }

 private:
  std::vector<absl::flat_hash_map<int32_t, Entry>> entries_;
  Format first_format_;
};

// Boxes to measure that do not lie inside the format.
std::vector<StackError> CheckBoxes(const Stack& stack, const Format& format);

}  // namespace selvage::plan
