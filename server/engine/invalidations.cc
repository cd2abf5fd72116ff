#include "server/engine/invalidations.h"

#include <span>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "server/engine/state_format.h"
#include "server/plan/proxy.h"

namespace selvage {
namespace {

constexpr size_t kFindAtOnce = 256;
constexpr size_t kMaxText = 256;
// Journal entries are folded into rows when there are so many of them.
constexpr size_t kFoldAfter = 64;

absl::Status Check(const InvalidateRequest& r) {
  if (r.has_frames() && r.frames().last() < r.frames().first()) {
    return absl::InvalidArgumentError(
        absl::StrCat("frames ", r.frames().first(), "-", r.frames().last(), ": the last is before the first"));
  }
  if (!r.worker().empty() && (!r.stack_name().empty() || !r.pass().empty() || r.has_frames())) {
    return absl::InvalidArgumentError(
        "the results of a worker are invalidated in all stacks: give no stack, pass or frames with a worker");
  }
  for (const std::string* text : {&r.worker(), &r.by(), &r.stack_name(), &r.pass()}) {
    if (text->size() <= kMaxText) continue;
    return absl::InvalidArgumentError(
        absl::StrCat("\"", text->substr(0, 40), "...\" has ", text->size(), " bytes; at most ", kMaxText));
  }
  return absl::OkStatus();
}

// Adds the results that the request's worker made.
absl::Status FindWorkOf(const InvalidateRequest& request, ResultIndex& index, std::set<ResultKey>* keys) {
  ASSIGN_OR_RETURN(const std::vector<ResultKey> made, index.FindMadeBy(request.worker(), request.since_unix_ms()));
  for (size_t at = 0; at < made.size(); at += kFindAtOnce) {
    const auto some = std::span(made).subspan(at, std::min(kFindAtOnce, made.size() - at));
    ASSIGN_OR_RETURN(const auto records, index.Find(some));
    for (size_t i = 0; i < some.size(); ++i) {
      // Another worker may have rendered it again.
      if (!records[i]) continue;
      for (const Maker& m : MakersOf(*records[i])) {
        if (IsWorkerOf(m.worker(), request.worker()) && m.made_unix_ms() >= request.since_unix_ms())
          keys->insert(some[i]);
      }
    }
  }
  return absl::OkStatus();
}

// At any size.
absl::StatusOr<bool> IsAnythingNamed(const InvalidateRequest& r, ResultIndex& index) {
  for (const std::string& stack : plan::HistoryNames(r.stack_name())) {
    ASSIGN_OR_RETURN(const auto names, index.FindNames(stack, r.pass()));
    if (!names.empty()) return true;
    ASSIGN_OR_RETURN(const auto looked, index.ListValues(state::LookedPrefix(stack)));
    const bool any = std::any_of(looked.begin(), looked.end(), [&](const auto& row) {
      const auto name = state::ParseLooked(row.first, row.second);
      return name && (r.pass().empty() || name->pass == r.pass());
    });
    if (any) return true;
  }
  return false;
}

}  // namespace

absl::Status Invalidations::Load() {
  ResultIndex& index = *tools_->cache.index;
  const absl::Status unreadable = absl::DataLossError("the index holds an invalidation that cannot be read");
  ASSIGN_OR_RETURN(const auto floor, index.FindValue(state::kEpochsFloorName));
  if (floor) {
    const auto number = state::ParseNumber(*floor);
    if (!number) return unreadable;
    epochs_.LoadFloor(*number);
  }
  ASSIGN_OR_RETURN(const auto stacks, index.ListValues(state::kEpochsPrefix));
  for (const auto& [name, value] : stacks) {
    StackEpochsRow row;
    if (!row.ParseFromString(value)) return unreadable;
    epochs_.LoadStack(state::After(state::kEpochsPrefix, name), row);
  }
  ASSIGN_OR_RETURN(const auto workers, index.ListValues(state::kDisownedPrefix));
  for (const auto& [name, value] : workers) {
    DisownedRow row;
    if (!row.ParseFromString(value)) return unreadable;
    epochs_.LoadDisowned(state::After(state::kDisownedPrefix, name), row);
  }
  return absl::OkStatus();
}

absl::Status Invalidations::LoadEntry(const JournalEntry& entry) {
  InvalidateRequest what;
  // A lost invalidation would serve old results: better not to start.
  if (!what.ParseFromString(entry.payload)) {
    return absl::DataLossError("the journal holds an invalidation that cannot be read");
  }
  epochs_.Add(what, entry.sequence);
  return absl::OkStatus();
}

// Entries go from the journal in the batch that writes the rows: never none, and
// that both are there does no harm.
void Invalidations::Fold() {
  if (epochs_.pending() == 0) return;
  Epochs::Changes changes = epochs_.TakeChanges();
  IndexBatch batch;
  batch.values = std::move(changes.values);
  batch.journal_done = std::move(changes.journal_done);
  commits_->AddSometime(std::move(batch));
}

void Invalidations::Invalidate(const InvalidateRequest& request, bool live, const std::vector<ResultKey>& in_hand,
                               Then<InvalidateReply> then) {
  if (absl::Status bad = Check(request); !bad.ok()) return then(bad);
  InvalidateRequest what = request;
  what.clear_disowned();
  what.set_at_unix_ms(tools_->UnixNow());
  if (what.worker().empty()) return InvalidatePasses(what, live, std::move(then));
  InvalidateWorker(what, in_hand, std::move(then));
}

void Invalidations::InvalidatePasses(const InvalidateRequest& what, bool live, Then<InvalidateReply> then) {
  tools_->pool->Post([this, what, live, then = std::move(then)] {
    const auto named = IsAnythingNamed(what, *tools_->cache.index);
    if (!named.ok()) return then(named.status());
    if (!*named && !live) {
      return then(absl::NotFoundError(what.pass().empty()
                                          ? absl::StrCat("nothing of a stack \"", what.stack_name(), "\" was rendered")
                                          : absl::StrCat("nothing of a pass \"", what.pass(), "\" in a stack \"",
                                                         what.stack_name(), "\" was rendered")));
    }
    tools_->pool->PostSerial([this, what, then] { WriteDown(what, then); });
  });
}

// From the first look on, nothing that the worker made, hands in or is known by
// another name is taken, so the list of its results is complete.
void Invalidations::InvalidateWorker(const InvalidateRequest& what, const std::vector<ResultKey>& in_hand,
                                     Then<InvalidateReply> then) {
  const std::string& worker = what.worker();
  ++disowning_[worker];
  std::set<ResultKey> keys(in_hand.begin(), in_hand.end());
  for (const auto& [key, makers] : committing_) {
    for (const Maker& m : makers) {
      if (IsWorkerOf(m.worker(), worker)) keys.insert(key);
    }
  }
  const auto end = [this, worker, then = std::move(then)](const absl::StatusOr<InvalidateReply>& reply) {
    if (--disowning_[worker] == 0) disowning_.erase(worker);
    then(reply);
  };
  tools_->pool->Post([this, what = InvalidateRequest(what), keys = std::move(keys), end]() mutable {
    absl::Status found = FindWorkOf(what, *tools_->cache.index, &keys);
    if (found.ok() && keys.empty()) {
      found = absl::NotFoundError(
          absl::StrCat("nothing that a worker \"", what.worker(), "\" made since then is in the cache"));
    }
    for (const ResultKey& key : keys) what.mutable_disowned()->append(key.digest.view());
    tools_->pool->PostSerial([this, found, what, count = keys.size(), end] {
      if (!found.ok()) return end(found);
      WriteDown(what, [count, end](absl::StatusOr<InvalidateReply> reply) {
        if (reply.ok()) reply->set_results(count);
        end(reply);
      });
    });
  });
}

// The number that comes back is the entry's own: it enters the keys now and after
// a restart.
void Invalidations::WriteDown(const InvalidateRequest& what, Then<InvalidateReply> then) {
  IndexBatch batch;
  batch.journal.push_back({JournalType::kInvalidated, what.SerializeAsString()});
  commits_->Add(std::move(batch), [this, what, then = std::move(then)](const absl::StatusOr<uint64_t>& sequence) {
    if (!sequence.ok()) return then(sequence.status());
    epochs_.Add(what, *sequence);
    if (epochs_.pending() >= kFoldAfter) Fold();
    heed_(what);
    InvalidateReply reply;
    reply.set_epoch(*sequence);
    then(std::move(reply));
  });
}

bool Invalidations::Distrusts(const std::string& worker, int64_t made_unix_ms) const {
  for (const auto& [name, count] : disowning_) {
    if (IsWorkerOf(worker, name)) return true;
  }
  return epochs_.disowned().Distrusts(worker, made_unix_ms);
}

void Invalidations::CommitResult(const ResultKey& key, std::vector<Maker> makers, IndexBatch batch,
                                 std::function<void(const absl::StatusOr<uint64_t>&)> then) {
  Announce(key, std::move(makers));
  commits_->Add(std::move(batch), [this, key, then = std::move(then)](const absl::StatusOr<uint64_t>& done) {
    Withdraw(key);
    then(done);
  });
}

}  // namespace selvage
