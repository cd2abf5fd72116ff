#include "server/keep_table.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/status.h"

namespace selvage {
namespace {

// Values of the index: "keep/", stack, NUL, number of the chunk; in it for each
// result a byte (1 always, 2 never) and its key. DO NOT CHANGE.
constexpr char kPrefix[] = "keep/";
constexpr size_t kChunk = 4096;
constexpr size_t kWishBytes = 33;

std::string ChunkName(const std::string& stack, size_t chunk) {
  return absl::StrCat(kPrefix, stack, std::string(1, '\0'), absl::StrFormat("%08u", chunk));
}

}  // namespace

absl::Status KeepTable::Load(ResultIndex& index) {
  ASSIGN_OR_RETURN(const auto values, index.ListValues(kPrefix));
  std::lock_guard lock(mutex_);
  std::map<std::string, std::vector<Wish>> found;
  for (const auto& [name, value] : values) {
    const size_t begin = sizeof kPrefix - 1, end = name.rfind('\0');
    if (end == std::string::npos || end < begin) continue;
    std::vector<Wish>& wishes = found[name.substr(begin, end - begin)];
    for (size_t at = 0; at + kWishBytes <= value.size(); at += kWishBytes) {
      const auto digest = Digest::FromBytes(std::string_view(value).substr(at + 1, 32));
      wishes.emplace_back(ResultKey{*digest}, value[at] == 1 ? Keep::kPinned : Keep::kFirstToGo);
    }
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
  std::lock_guard lock(mutex_);
  SetLocked(plan.stack_name, std::move(wishes), commit);
}

size_t KeepTable::Release(const std::string& stack, const std::function<void(IndexBatch)>& commit) {
  std::lock_guard lock(mutex_);
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
  for (size_t first = 0; first < std::max(old_count, wishes.size()); first += kChunk) {
    std::string chunk;
    for (size_t i = first; i < std::min(first + kChunk, wishes.size()); ++i) {
      chunk.push_back(wishes[i].second == Keep::kPinned ? 1 : 2);
      chunk += wishes[i].first.digest.view();
    }
    // An empty one is deleted.
    batch.values.emplace_back(ChunkName(stack, first / kChunk), std::move(chunk));
  }
  ReplaceLocked(stack, std::move(wishes));
  commit(std::move(batch));
}

Keep KeepTable::Of(const ResultKey& key) const {
  std::lock_guard lock(mutex_);
  const auto it = keep_.find(key);
  if (it == keep_.end()) return Keep::kNormal;
  return it->second.always > 0 ? Keep::kPinned : Keep::kFirstToGo;
}

std::vector<ResultKey> KeepTable::FirstToGo() const {
  std::vector<ResultKey> keys;
  std::lock_guard lock(mutex_);
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
