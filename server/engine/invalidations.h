// What is no longer good: passes that were invalidated, workers that are not
// trusted any more.
#pragma once

#include <algorithm>
#include <map>
#include <set>
#include <string>
#include <vector>

#include "cache/result_index.h"
#include "proto/job.pb.h"
#include "server/engine/commits.h"
#include "server/engine/epochs.h"

namespace selvage {

// On the strand, but for Load.
class Invalidations {
 public:
  // Called when an invalidation is durable and known here.
  using Heed = std::function<void(const InvalidateRequest& what)>;

  Invalidations(Tools* tools, Commits* commits) : tools_(tools), commits_(commits) {}
  void SetHeed(Heed heed) { heed_ = std::move(heed); }

  // Blocks. Rows, then journal entries; writes rows for the entries.
  // Errors: DATA_LOSS an invalidation cannot be read: older results might be used.
  absl::Status Load();
  absl::Status LoadEntry(const JournalEntry& entry);
  void Fold();

  // `live`: there is a request that renders the stack. `in_hand`: what workers of
  // the name are making, for an invalidation by worker.
  void Invalidate(const InvalidateRequest& request, bool live, const std::vector<ResultKey>& in_hand,
                  Then<InvalidateReply> then);

  Epochs::Snapshot Of(const std::string& stack) const { return epochs_.Of(stack); }
  uint64_t Newest(const std::string& stack) const { return epochs_.Newest(stack); }

  // Is this work that was, or is about to be, disowned?
  bool Distrusts(const std::string& worker, int64_t made_unix_ms) const;
  template <class Makers>
  bool DistrustsAny(const Makers& makers) const {
    return std::any_of(makers.begin(), makers.end(),
                       [&](const Maker& m) { return Distrusts(m.worker(), m.made_unix_ms()); });
  }
  bool EverDistrusted(const std::string& worker) const { return epochs_.disowned().Distrusted(worker); }

  // Makes a result durable. An invalidation of one of its makers reaches it from
  // now on, though it is not in the index yet.
  void CommitResult(const ResultKey& key, std::vector<Maker> makers, IndexBatch batch,
                    std::function<void(const absl::StatusOr<uint64_t>&)> then);
  // The same in two steps, for whoever must read before there is a batch.
  void Announce(const ResultKey& key, std::vector<Maker> makers) { committing_[key] = std::move(makers); }
  void Withdraw(const ResultKey& key) { committing_.erase(key); }

 private:
  void InvalidatePasses(const InvalidateRequest& what, bool live, Then<InvalidateReply> then);
  void InvalidateWorker(const InvalidateRequest& what, const std::vector<ResultKey>& in_hand,
                        Then<InvalidateReply> then);
  void WriteDown(const InvalidateRequest& what, Then<InvalidateReply> then);

  Tools* const tools_;
  Commits* const commits_;
  Heed heed_;
  Epochs epochs_;
  // Workers whose results are being disowned: name -> how many requests.
  std::map<std::string, int> disowning_;
  // Results on their way to disk, and who made them.
  std::map<ResultKey, std::vector<Maker>> committing_;
};

}  // namespace selvage
