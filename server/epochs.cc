#include "server/epochs.h"

#include <algorithm>

namespace selvage {

void Epochs::Add(const InvalidateRequest& what, uint64_t sequence) {
  Entry e{sequence, what.pass(), INT32_MIN, INT32_MAX};
  if (what.has_frames()) {
    e.first = what.frames().first();
    e.last = what.frames().last();
  }
  by_stack_[what.stack_name()].push_back(std::move(e));
}

uint64_t Epochs::Of(const std::string& stack, const std::string& pass, int32_t frame) const {
  auto it = by_stack_.find(stack);
  uint64_t newest = 0;
  if (it == by_stack_.end()) return newest;
  for (const Entry& e : it->second) {
    const bool covers = (e.pass.empty() || e.pass == pass) && e.first <= frame && frame <= e.last;
    if (covers) newest = std::max(newest, e.sequence);
  }
  return newest;
}

uint64_t Epochs::Newest(const std::string& stack) const {
  auto it = by_stack_.find(stack);
  uint64_t newest = 0;
  if (it == by_stack_.end()) return newest;
  for (const Entry& e : it->second) newest = std::max(newest, e.sequence);
  return newest;
}

}  // namespace selvage
