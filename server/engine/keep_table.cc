#include "server/engine/keep_table.h"

#include <algorithm>
#include <span>

#include "proto/status.h"

namespace selvage {

absl::Status KeepTable::Load(ResultIndex& index) {
  ASSIGN_OR_RETURN(const auto values, index.ListValues(state::kKeepPrefix));
  MutexLock lock(&mutex_);
  std::map<std::string, std::vector<Wish>> found;
  for (const auto& [name, value] : values) {
    const auto stack = state::StackOfKeepChunk(name);
    if (!stack) continue;
    const std::vector<Wish> wishes = state::ParseKeepChunk(value);
    found[*stack].insert(found[*stack].end(), wishes.begin(), wishes.end());
  }
  for (auto& [stack, wishes] : found) ReplaceLocked(stack, std::move(wishes));
  return absl::OkStatus();
}

void KeepTable::Set(const plan::Plan& plan, const std::function<void(IndexBatch)>& commit) {
  std::vector<Wish> wishes;
  for (const plan::PlannedTask& t : plan.tasks) {
    if (t.keep != Pass::AUTO) wishes.emplace_back(t.key, t.keep == Pass::ALWAYS ? Keep::kPinned : Keep::kFirstToGo);
  }
  std::sort(wishes.begin(), wishes.end());
  MutexLock lock(&mutex_);
  SetLocked(plan.stack_name, std::move(wishes), commit);
}

size_t KeepTable::Release(const std::string& stack, const std::function<void(IndexBatch)>& commit) {
  MutexLock lock(&mutex_);
  const auto wishes = of_stack_.find(stack);
  if (wishes == of_stack_.end()) return 0;
  const auto pinned = std::count_if(wishes->second.begin(), wishes->second.end(),
                                    [](const Wish& w) { return w.second == Keep::kPinned; });
  if (pinned > 0) SetLocked(stack, {}, commit);
  return static_cast<size_t>(pinned);
}

void KeepTable::SetLocked(const std::string& stack, std::vector<Wish> wishes,
                          const std::function<void(IndexBatch)>& commit) {
  const auto old = of_stack_.find(stack);
  const size_t old_count = old == of_stack_.end() ? 0 : old->second.size();
  if (old_count == wishes.size() && (old_count == 0 || old->second == wishes)) return;
  IndexBatch batch;
  for (size_t first = 0; first < std::max(old_count, wishes.size()); first += state::kWishesAChunk) {
    std::span<const Wish> chunk(wishes);
    chunk = chunk.subspan(std::min(first, chunk.size()));
    // An empty one is deleted.
    batch.values.emplace_back(state::KeepChunkName(stack, first / state::kWishesAChunk),
                              state::KeepChunkValue(chunk.first(std::min(state::kWishesAChunk, chunk.size()))));
  }
  ReplaceLocked(stack, std::move(wishes));
  commit(std::move(batch));
}

Keep KeepTable::Of(const ResultKey& key) const {
  MutexLock lock(&mutex_);
  const auto it = keep_.find(key);
  if (it == keep_.end()) return Keep::kNormal;
  return it->second.always > 0 ? Keep::kPinned : Keep::kFirstToGo;
}

bool KeepTable::KeepsAny(const std::string& stack) const {
  MutexLock lock(&mutex_);
  const auto it = of_stack_.find(stack);
  return it != of_stack_.end() &&
         std::any_of(it->second.begin(), it->second.end(), [](const Wish& w) { return w.second == Keep::kPinned; });
}

std::vector<ResultKey> KeepTable::FirstToGo() const {
  std::vector<ResultKey> keys;
  MutexLock lock(&mutex_);
  for (const auto& [key, wishes] : keep_) {
    if (wishes.always == 0) keys.push_back(key);
  }
  return keys;
}

// Two stacks may have the same result.
void KeepTable::ReplaceLocked(const std::string& stack, std::vector<Wish> wishes) {
  for (const auto& [key, keep] : wishes) ++(keep == Keep::kPinned ? keep_[key].always : keep_[key].never);
  std::vector<Wish>& old = of_stack_[stack];
  for (const auto& [key, keep] : old) {
    const auto it = keep_.find(key);
    --(keep == Keep::kPinned ? it->second.always : it->second.never);
    if (it->second.always == 0 && it->second.never == 0) keep_.erase(it);
  }
  old = std::move(wishes);
  if (old.empty()) of_stack_.erase(stack);
}

}  // namespace selvage
