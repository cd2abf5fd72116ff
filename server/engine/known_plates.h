// Of which plate files the facts are remembered. Losing them costs no more than
// reading the file again.
#pragma once

#include <deque>
#include <set>
#include <string>

#include "proto/farm.pb.h"
#include "server/engine/commits.h"

namespace selvage {

// On the strand, but for Load.
class KnownPlates {
 public:
  explicit KnownPlates(Tools* tools) : tools_(tools) {}

  // Blocks.
  absl::Status Load();
  // Also forgets the one that was remembered first, beyond those that are remembered.
  void Remember(const std::string& path, const PlateFacts& facts, IndexBatch* batch);
  void Forget(const std::string& path, IndexBatch* batch);

 private:
  // Forgets the oldest until no more than the bound are left.
  void Bound(IndexBatch* batch);

  Tools* const tools_;
  std::set<std::string> known_;
  // In the order in which they were remembered; of those that were there at the
  // start nobody knows it, they come first.
  std::deque<std::string> oldest_first_;
};

}  // namespace selvage
