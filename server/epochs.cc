#include "server/epochs.h"

#include <algorithm>
#include <ctime>

#include "absl/strings/str_cat.h"

namespace selvage {

void Epochs::Add(const InvalidateRequest& what, uint64_t sequence) {
  const Note note{what.by(), what.worker(), what.since_unix_ms(), what.at_unix_ms()};
  notes_[sequence] = note;
  if (!what.worker().empty()) {
    distrusted_.push_back(note);
    newest_of_key_ = std::max(newest_of_key_, sequence);
    auto by_key = std::make_shared<ByKey>(*by_key_);
    const std::string_view keys = what.disowned();
    for (size_t at = 0; at + 32 <= keys.size(); at += 32) {
      plan::Epoch& e = (*by_key)[ResultKey{*Digest::FromBytes(keys.substr(at, 32))}];
      e.own = std::max(e.own, sequence);
      if (what.with_dependents()) e.with_below = std::max(e.with_below, sequence);
    }
    by_key_ = std::move(by_key);
    return;
  }
  Entry e{sequence, what.pass(), INT32_MIN, INT32_MAX, what.with_dependents()};
  if (what.has_frames()) {
    e.first = what.frames().first();
    e.last = what.frames().last();
  }
  by_stack_[what.stack_name()].push_back(std::move(e));
}

plan::Epoch Epochs::Of(const std::string& stack, const std::string& pass, int32_t frame) const {
  plan::Epoch newest;
  auto it = by_stack_.find(stack);
  if (it == by_stack_.end()) return newest;
  for (const Entry& e : it->second) {
    const bool covers = (e.pass.empty() || e.pass == pass) && e.first <= frame && frame <= e.last;
    if (!covers) continue;
    newest.own = std::max(newest.own, e.sequence);
    if (e.with_below) newest.with_below = std::max(newest.with_below, e.sequence);
  }
  return newest;
}

plan::Epoch Epochs::OfKey(const ResultKey& key) const {
  auto it = by_key_->find(key);
  return it == by_key_->end() ? plan::Epoch() : it->second;
}

uint64_t Epochs::Newest(const std::string& stack) const {
  uint64_t newest = newest_of_key_;
  auto it = by_stack_.find(stack);
  if (it == by_stack_.end()) return newest;
  for (const Entry& e : it->second) newest = std::max(newest, e.sequence);
  return newest;
}

std::string Epochs::InWords(uint64_t sequence) const {
  std::string text = "invalidated";
  auto it = notes_.find(sequence);
  if (it == notes_.end()) return text;
  if (!it->second.worker.empty()) absl::StrAppend(&text, " with what ", it->second.worker, " made");
  if (!it->second.by.empty()) absl::StrAppend(&text, " by ", it->second.by);
  if (it->second.at_unix_ms == 0) return text;
  const time_t then = it->second.at_unix_ms / 1000, now = std::time(nullptr);
  std::tm local{}, today{};
  localtime_r(&then, &local);
  localtime_r(&now, &today);
  const bool same_day = local.tm_yday == today.tm_yday && local.tm_year == today.tm_year;
  char when[40] = "";
  std::strftime(when, sizeof when, same_day ? "%H:%M" : "%Y-%m-%d %H:%M", &local);
  return absl::StrCat(text, ", ", when);
}

bool Epochs::Distrusted(const std::string& worker) const {
  return std::any_of(distrusted_.begin(), distrusted_.end(),
                     [&](const Note& d) { return IsWorkerOf(worker, d.worker); });
}

bool Epochs::Distrusts(const std::string& worker, int64_t made_unix_ms) const {
  return std::any_of(distrusted_.begin(), distrusted_.end(), [&](const Note& d) {
    return IsWorkerOf(worker, d.worker) && d.since_unix_ms <= made_unix_ms && made_unix_ms <= d.at_unix_ms;
  });
}

bool IsWorkerOf(const std::string& worker, const std::string& name_or_host) {
  return worker == name_or_host || worker.substr(0, worker.find(':')) == name_or_host;
}

}  // namespace selvage
