// Which passes were invalidated when, and which results are disowned.
#pragma once

#include <algorithm>
#include <cstdint>
#include <map>
#include <memory>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "proto/job.pb.h"
#include "proto/state.pb.h"
#include "server/plan/plan.h"

namespace selvage {

// The invalidations of one stack. What newer ones cover is not remembered, so
// its size follows the stack and not how often it was invalidated.
class StackEpochs {
 public:
  static StackEpochs Load(const StackEpochsRow& row);
  StackEpochsRow Save() const;

  // In any order; `sequence` is the number of the journal entry.
  void Add(const InvalidateRequest& what, uint64_t sequence);

  // Newest invalidations that cover the pass at the frame.
  plan::Epoch Of(const std::string& pass, int32_t frame) const;
  uint64_t newest() const { return newest_; }
  // Who invalidated and when; nullptr if that is not remembered.
  struct Note {
    std::string by;
    int64_t at_unix_ms = 0;
  };
  const Note* NoteOf(uint64_t sequence) const;

 private:
  struct Span {
    int32_t last;
    plan::Epoch epoch;
  };
  // By first frame; apart from each other.
  using Spans = std::map<int32_t, Span>;
  static void Cut(Spans* spans, int64_t before);
  static void Paint(Spans* spans, int32_t first, int32_t last, const plan::Epoch& epoch);
  static plan::Epoch At(const Spans& spans, int32_t frame);
  // Drops what the invalidations of all passes cover, and notes of nothing.
  void Tidy();

  std::map<std::string, Spans> by_pass_;  // "": all passes
  std::map<uint64_t, Note> notes_;
  uint64_t newest_ = 0;
};

// Results that workers made who are not trusted.
class Disowned {
 public:
  void Load(const std::string& worker, const DisownedRow& row);
  DisownedRow Save(const std::string& worker) const;
  void Add(const InvalidateRequest& what, uint64_t sequence);

  plan::Epoch Of(const ResultKey& key) const;
  uint64_t newest() const { return newest_; }
  // Whether results of this worker ("host:pid") were ever disowned, and whether
  // one that it made then is among them.
  bool Distrusted(const std::string& worker) const;
  bool Distrusts(const std::string& worker, int64_t made_unix_ms) const;
  // The one whose invalidation that was; nullptr if none.
  const std::string* WorkerOf(uint64_t sequence, StackEpochs::Note* note) const;

 private:
  struct Worker {
    std::string by;
    int64_t since_unix_ms = 0, at_unix_ms = 0;
    uint64_t newest = 0;
    absl::flat_hash_map<ResultKey, plan::Epoch, DigestHash> keys;
  };
  void AddKey(Worker* worker, const ResultKey& key, const plan::Epoch& epoch);

  std::map<std::string, Worker> workers_;
  absl::flat_hash_map<ResultKey, plan::Epoch, DigestHash> by_key_;
  uint64_t newest_ = 0;
};

// All of it. On the engine's strand; snapshots may go anywhere.
class Epochs {
 public:
  // As of one moment, for one stack. Shared, so taking one costs nothing.
  class Snapshot {
   public:
    plan::Epoch Of(const std::string& pass, int32_t frame) const { return stack_->Of(pass, frame); }
    // Newest invalidation that disowned this result.
    plan::Epoch OfKey(const ResultKey& key) const { return disowned_->Of(key); }
    // Newest invalidation of anything in the stack, or of a worker's results.
    uint64_t newest() const { return std::max(stack_->newest(), disowned_->newest()); }
    // "invalidated by jo, 14:02", in the daemon's own time zone.
    std::string InWords(uint64_t sequence, int64_t now_unix_ms) const;

   private:
    friend class Epochs;
    std::shared_ptr<const StackEpochs> stack_;
    std::shared_ptr<const Disowned> disowned_;
  };

  // More stacks than these are not told apart: what was invalidated in the others
  // counts for every stack that is new.
  explicit Epochs(size_t most_stacks = 10'000) : most_stacks_(most_stacks) {}

  // Rows of the index, then journal entries that are not in them yet.
  void LoadStack(const std::string& stack, const StackEpochsRow& row);
  void LoadDisowned(const std::string& worker, const DisownedRow& row);
  void LoadFloor(uint64_t floor) { floor_ = floor; }
  void Add(const InvalidateRequest& what, uint64_t sequence);

  Snapshot Of(const std::string& stack) const;
  uint64_t Newest(const std::string& stack) const { return Of(stack).newest(); }
  const Disowned& disowned() const { return *disowned_; }

  // Values to write since the last call, and the journal entries that they hold.
  struct Changes {
    std::vector<std::pair<std::string, std::string>> values;
    std::vector<uint64_t> journal_done;
  };
  Changes TakeChanges();
  size_t pending() const { return pending_.size(); }

 private:
  // The stack's own, to be changed.
  StackEpochs* Change(const std::string& stack);
  void DropOldest();

  const size_t most_stacks_;
  // Never changed once a snapshot may have it.
  std::map<std::string, std::shared_ptr<const StackEpochs>> by_stack_;
  std::shared_ptr<const Disowned> disowned_ = std::make_shared<Disowned>();
  uint64_t floor_ = 0;
  std::set<std::string> changed_stacks_, changed_workers_;
  bool floor_changed_ = false;
  std::vector<uint64_t> pending_;
};

// "render3:4711@farm" is a worker of the host "render3", of the token "@farm" and of itself.
bool IsWorkerOf(const std::string& worker, const std::string& name_or_host);

}  // namespace selvage
