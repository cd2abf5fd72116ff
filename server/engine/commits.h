// Writes to the index, from the strand and back to it.
#pragma once

#include <functional>

#include "server/engine/tools.h"

namespace selvage {

// All methods may be called from any thread.
class Commits {
 public:
  explicit Commits(Tools* tools) : tools_(tools) {}

  // Makes the batch durable with others; `then` runs on the strand, unless the
  // pool stops first, with the number of its last journal entry.
  void Add(IndexBatch batch, std::function<void(const absl::StatusOr<uint64_t>&)> then) {
    // The committer may outlive the engine, but not the pool.
    tools_->cache.committer->Add(std::move(batch),
                                 [pool = tools_->pool, then = std::move(then)](absl::StatusOr<uint64_t> result) {
                                   pool->PostSerial([then, result = std::move(result)] { then(result); });
                                 });
  }
  // The same, when no request waits for it.
  void AddSometime(IndexBatch batch) {
    tools_->cache.committer->Add(std::move(batch), [](const absl::StatusOr<uint64_t>&) {});
  }

 private:
  Tools* const tools_;
};

}  // namespace selvage
