#include "server/engine/epochs.h"

#include <algorithm>
#include <ctime>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "server/engine/state_format.h"

namespace selvage {
namespace {

constexpr int32_t kFirst = INT32_MIN, kLast = INT32_MAX;
// A pass with more of them counts as invalidated as a whole: rendering too much
// is the lesser evil.
constexpr size_t kMostSpans = 4096;

plan::Epoch Newer(const plan::Epoch& a, const plan::Epoch& b) {
  return {std::max(a.own, b.own), std::max(a.with_below, b.with_below)};
}
bool Same(const plan::Epoch& a, const plan::Epoch& b) { return a.own == b.own && a.with_below == b.with_below; }

}  // namespace

void StackEpochs::Cut(Spans* spans, int64_t before) {
  auto it = spans->lower_bound(static_cast<int32_t>(before));
  if (before > kLast || it == spans->begin() || (it != spans->end() && it->first == before)) return;
  --it;
  if (it->second.last < before) return;
  spans->emplace(static_cast<int32_t>(before), it->second);
  it->second.last = static_cast<int32_t>(before - 1);
}

// Raises the frames to at least `epoch`.
void StackEpochs::Paint(Spans* spans, int32_t first, int32_t last, const plan::Epoch& epoch) {
  Cut(spans, first);
  Cut(spans, int64_t{last} + 1);
  int64_t at = first;
  for (auto it = spans->lower_bound(first); at <= last; ++it) {
    const bool inside = it != spans->end() && it->first <= last;
    const int64_t next = inside ? it->first : int64_t{last} + 1;
    if (at < next) it = spans->emplace(static_cast<int32_t>(at), Span{static_cast<int32_t>(next - 1), epoch}).first;
    if (at == next) it->second.epoch = Newer(it->second.epoch, epoch);
    at = int64_t{it->second.last} + 1;
  }
  // Neighbours that are alike become one.
  for (auto it = spans->begin(); it != spans->end();) {
    const auto next = std::next(it);
    const bool joins = next != spans->end() && int64_t{it->second.last} + 1 == next->first &&
                       Same(it->second.epoch, next->second.epoch);
    if (joins) {
      it->second.last = next->second.last;
      spans->erase(next);
    } else {
      it = next;
    }
  }
}

plan::Epoch StackEpochs::At(const Spans& spans, int32_t frame) {
  auto it = spans.upper_bound(frame);
  if (it == spans.begin()) return {};
  --it;
  return it->second.last >= frame ? it->second.epoch : plan::Epoch();
}

void StackEpochs::Add(const InvalidateRequest& what, uint64_t sequence) {
  newest_ = std::max(newest_, sequence);
  notes_[sequence] = {what.by(), what.at_unix_ms()};
  Spans& spans = by_pass_[what.pass()];
  const plan::Epoch epoch(sequence, what.with_dependents() ? sequence : 0);
  if (what.has_frames()) {
    Paint(&spans, what.frames().first(), what.frames().last(), epoch);
  } else {
    Paint(&spans, kFirst, kLast, epoch);
  }
  if (spans.size() > kMostSpans) {
    plan::Epoch all;
    for (const auto& [first, span] : spans) all = Newer(all, span.epoch);
    spans = {{kFirst, {kLast, all}}};
  }
  Tidy();
}

void StackEpochs::Tidy() {
  std::set<uint64_t> used;
  const Spans& whole = by_pass_[""];
  for (auto pass = by_pass_.begin(); pass != by_pass_.end();) {
    std::erase_if(pass->second, [&](const auto& entry) {
      if (pass->first.empty()) return false;
      const auto cover = whole.upper_bound(entry.first);
      if (cover == whole.begin()) return false;
      const Span& over = std::prev(cover)->second;
      return over.last >= entry.second.last && Same(Newer(over.epoch, entry.second.epoch), over.epoch);
    });
    for (const auto& [first, span] : pass->second) used.insert({span.epoch.own, span.epoch.with_below});
    pass = pass->second.empty() && !pass->first.empty() ? by_pass_.erase(pass) : std::next(pass);
  }
  std::erase_if(notes_, [&](const auto& note) { return !used.contains(note.first); });
}

plan::Epoch StackEpochs::Of(const std::string& pass, int32_t frame) const {
  plan::Epoch newest;
  if (const auto all = by_pass_.find(""); all != by_pass_.end()) newest = At(all->second, frame);
  if (const auto own = by_pass_.find(pass); own != by_pass_.end()) newest = Newer(newest, At(own->second, frame));
  return newest;
}

const StackEpochs::Note* StackEpochs::NoteOf(uint64_t sequence) const {
  const auto it = notes_.find(sequence);
  return it == notes_.end() ? nullptr : &it->second;
}

StackEpochs StackEpochs::Load(const StackEpochsRow& row) {
  StackEpochs e;
  e.newest_ = row.newest();
  for (const auto& pass : row.pass()) {
    for (const auto& span : pass.span()) {
      e.by_pass_[pass.pass()][span.first()] = {span.last(), {span.own(), span.with_below()}};
    }
  }
  for (const auto& note : row.note()) e.notes_[note.sequence()] = {note.by(), note.at_unix_ms()};
  return e;
}

StackEpochsRow StackEpochs::Save() const {
  StackEpochsRow row;
  row.set_newest(newest_);
  for (const auto& [name, spans] : by_pass_) {
    if (spans.empty()) continue;
    auto* pass = row.add_pass();
    pass->set_pass(name);
    for (const auto& [first, span] : spans) {
      auto* out = pass->add_span();
      out->set_first(first);
      out->set_last(span.last);
      out->set_own(span.epoch.own);
      out->set_with_below(span.epoch.with_below);
    }
  }
  for (const auto& [sequence, note] : notes_) {
    auto* out = row.add_note();
    out->set_sequence(sequence);
    out->set_by(note.by);
    out->set_at_unix_ms(note.at_unix_ms);
  }
  return row;
}

void Disowned::AddKey(Worker* worker, const ResultKey& key, const plan::Epoch& epoch) {
  for (plan::Epoch* e : {&worker->keys[key], &by_key_[key]}) *e = Newer(*e, epoch);
}

void Disowned::Add(const InvalidateRequest& what, uint64_t sequence) {
  auto [it, is_new] = workers_.try_emplace(what.worker());
  Worker& worker = it->second;
  worker.by = what.by();
  // One time for all: what lies between two of them is better distrusted too.
  worker.since_unix_ms = is_new ? what.since_unix_ms() : std::min(worker.since_unix_ms, what.since_unix_ms());
  worker.at_unix_ms = std::max(worker.at_unix_ms, what.at_unix_ms());
  worker.newest = std::max(worker.newest, sequence);
  newest_ = std::max(newest_, sequence);
  const plan::Epoch epoch(sequence, what.with_dependents() ? sequence : 0);
  const std::string_view keys = what.disowned();
  for (size_t at = 0; at + 32 <= keys.size(); at += 32) {
    AddKey(&worker, ResultKey{*Digest::FromBytes(keys.substr(at, 32))}, epoch);
  }
}

plan::Epoch Disowned::Of(const ResultKey& key) const {
  const auto it = by_key_.find(key);
  return it == by_key_.end() ? plan::Epoch() : it->second;
}

bool Disowned::Distrusted(const std::string& worker) const {
  return std::any_of(workers_.begin(), workers_.end(), [&](const auto& w) { return IsWorkerOf(worker, w.first); });
}

bool Disowned::Distrusts(const std::string& worker, int64_t made_unix_ms) const {
  return std::any_of(workers_.begin(), workers_.end(), [&](const auto& w) {
    return IsWorkerOf(worker, w.first) && w.second.since_unix_ms <= made_unix_ms && made_unix_ms <= w.second.at_unix_ms;
  });
}

const std::string* Disowned::WorkerOf(uint64_t sequence, StackEpochs::Note* note) const {
  for (const auto& [name, worker] : workers_) {
    if (worker.newest != sequence) continue;
    *note = {worker.by, worker.at_unix_ms};
    return &name;
  }
  return nullptr;
}

void Disowned::Load(const std::string& name, const DisownedRow& row) {
  Worker& worker = workers_[name];
  worker.by = row.by();
  worker.since_unix_ms = row.since_unix_ms();
  worker.at_unix_ms = row.at_unix_ms();
  worker.newest = row.newest();
  newest_ = std::max(newest_, row.newest());
  for (const auto& group : row.group()) {
    const std::string_view keys = group.keys();
    for (size_t at = 0; at + 32 <= keys.size(); at += 32) {
      AddKey(&worker, ResultKey{*Digest::FromBytes(keys.substr(at, 32))}, {group.own(), group.with_below()});
    }
  }
}

DisownedRow Disowned::Save(const std::string& name) const {
  DisownedRow row;
  const auto it = workers_.find(name);
  if (it == workers_.end()) return row;
  const Worker& worker = it->second;
  row.set_by(worker.by);
  row.set_since_unix_ms(worker.since_unix_ms);
  row.set_at_unix_ms(worker.at_unix_ms);
  row.set_newest(worker.newest);
  std::map<std::pair<uint64_t, uint64_t>, DisownedRow::Group*> groups;
  for (const auto& [key, epoch] : worker.keys) {
    DisownedRow::Group*& group = groups[{epoch.own, epoch.with_below}];
    if (group == nullptr) group = row.add_group();
    group->set_own(epoch.own);
    group->set_with_below(epoch.with_below);
    group->mutable_keys()->append(key.digest.view());
  }
  return row;
}

std::string Epochs::Snapshot::InWords(uint64_t sequence, int64_t now_unix_ms) const {
  std::string text = "invalidated";
  StackEpochs::Note note;
  if (const std::string* worker = disowned_->WorkerOf(sequence, &note)) {
    absl::StrAppend(&text, " with what ", *worker, " made");
  } else if (const StackEpochs::Note* own = stack_->NoteOf(sequence)) {
    note = *own;
  }
  if (!note.by.empty()) absl::StrAppend(&text, " by ", note.by);
  if (note.at_unix_ms == 0) return text;
  const time_t then = note.at_unix_ms / 1000, now = now_unix_ms / 1000;
  std::tm local{}, today{};
  localtime_r(&then, &local);
  localtime_r(&now, &today);
  const bool same_day = local.tm_yday == today.tm_yday && local.tm_year == today.tm_year;
  char when[40] = "";
  std::strftime(when, sizeof when, same_day ? "%H:%M" : "%Y-%m-%d %H:%M", &local);
  return absl::StrCat(text, ", ", when);
}

void Epochs::LoadStack(const std::string& stack, const StackEpochsRow& row) {
  by_stack_[stack] = std::make_shared<const StackEpochs>(StackEpochs::Load(row));
}

void Epochs::LoadDisowned(const std::string& worker, const DisownedRow& row) {
  auto disowned = std::make_shared<Disowned>(*disowned_);
  disowned->Load(worker, row);
  disowned_ = std::move(disowned);
}

StackEpochs* Epochs::Change(const std::string& stack) {
  // Begins with what every new stack has.
  auto changed = std::make_shared<StackEpochs>(*Of(stack).stack_);
  StackEpochs* raw = changed.get();
  by_stack_[stack] = std::move(changed);
  changed_stacks_.insert(stack);
  return raw;
}

void Epochs::Add(const InvalidateRequest& what, uint64_t sequence) {
  pending_.push_back(sequence);
  if (!what.worker().empty()) {
    auto disowned = std::make_shared<Disowned>(*disowned_);
    disowned->Add(what, sequence);
    disowned_ = std::move(disowned);
    changed_workers_.insert(what.worker());
    return;
  }
  Change(what.stack_name())->Add(what, sequence);
  DropOldest();
}

void Epochs::DropOldest() {
  if (by_stack_.size() <= most_stacks_) return;
  const auto oldest = std::min_element(by_stack_.begin(), by_stack_.end(), [](const auto& a, const auto& b) {
    return a.second->newest() < b.second->newest();
  });
  floor_ = std::max(floor_, oldest->second->newest());
  floor_changed_ = true;
  changed_stacks_.insert(oldest->first);
  by_stack_.erase(oldest);
}

Epochs::Snapshot Epochs::Of(const std::string& stack) const {
  Snapshot snapshot;
  snapshot.disowned_ = disowned_;
  if (const auto it = by_stack_.find(stack); it != by_stack_.end()) {
    snapshot.stack_ = it->second;
    return snapshot;
  }
  StackEpochs unknown;
  if (floor_ > 0) unknown.Add(InvalidateRequest(), floor_);
  snapshot.stack_ = std::make_shared<const StackEpochs>(std::move(unknown));
  return snapshot;
}

Epochs::Changes Epochs::TakeChanges() {
  Changes changes;
  for (const std::string& stack : std::exchange(changed_stacks_, {})) {
    const auto it = by_stack_.find(stack);
    changes.values.emplace_back(state::EpochsName(stack),
                                it == by_stack_.end() ? "" : it->second->Save().SerializeAsString());
  }
  for (const std::string& worker : std::exchange(changed_workers_, {})) {
    changes.values.emplace_back(state::DisownedName(worker), disowned_->Save(worker).SerializeAsString());
  }
  if (std::exchange(floor_changed_, false)) {
    changes.values.emplace_back(state::kEpochsFloorName, state::NumberValue(floor_));
  }
  // The newest entry of all cannot go: it is tried again with the next ones.
  changes.journal_done = pending_;
  if (pending_.size() > 1) pending_.erase(pending_.begin(), pending_.end() - 1);
  return changes;
}

bool IsWorkerOf(const std::string& worker, const std::string& name_or_host) {
  if (!name_or_host.empty() && name_or_host[0] == '@') return absl::EndsWith(worker, name_or_host);
  return worker == name_or_host || worker.substr(0, worker.find(':')) == name_or_host;
}

}  // namespace selvage
