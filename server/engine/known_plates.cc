#include "server/engine/known_plates.h"

#include <utility>

#include "proto/status.h"
#include "server/engine/state_format.h"

namespace selvage {

absl::Status KnownPlates::Load() {
  ASSIGN_OR_RETURN(const auto rows, tools_->cache.index->ListValues(state::kFactsPrefix));
  for (const auto& [name, value] : rows) {
    std::string path = state::After(state::kFactsPrefix, name);
    known_.insert(path);
    oldest_first_.push_back(std::move(path));
  }
  return absl::OkStatus();
}

void KnownPlates::Remember(const std::string& path, const PlateFacts& facts, IndexBatch* batch) {
  batch->values.emplace_back(state::FactsName(path), facts.SerializeAsString());
  if (!known_.insert(path).second) return;
  oldest_first_.push_back(path);
  Bound(batch);
}

void KnownPlates::Forget(const std::string& path, IndexBatch* batch) {
  batch->values.emplace_back(state::FactsName(path), "");
  known_.erase(path);
  // Else files that change again and again would fill it.
  std::erase(oldest_first_, path);
}

void KnownPlates::Bound(IndexBatch* batch) {
  while (known_.size() > tools_->options.known_plates) {
    batch->values.emplace_back(state::FactsName(oldest_first_.front()), "");
    known_.erase(oldest_first_.front());
    oldest_first_.pop_front();
  }
}

}  // namespace selvage
