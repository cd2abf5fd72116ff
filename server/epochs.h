// Which passes were invalidated when, and which results disowned. In memory,
// from the journal.
#pragma once

#include <cstdint>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "proto/job.pb.h"
#include "server/plan/plan.h"

namespace selvage {

// Values: a copy is a snapshot.
class Epochs {
 public:
  // In any order; `sequence` is the number of the journal entry.
  void Add(const InvalidateRequest& what, uint64_t sequence);

  // Newest invalidations that cover the pass at the frame.
  plan::Epoch Of(const std::string& stack, const std::string& pass, int32_t frame) const;
  // Newest one that disowned this result.
  plan::Epoch OfKey(const ResultKey& key) const;
  // Newest invalidation of anything in the stack, or of a worker's results.
  uint64_t Newest(const std::string& stack) const;

  // "invalidated by jo, 14:02", in the daemon's own time zone.
  std::string InWords(uint64_t sequence) const;

  // Whether results of this worker ("host:pid") were ever disowned, and whether
  // one that it made then is among them.
  bool Distrusted(const std::string& worker) const;
  bool Distrusts(const std::string& worker, int64_t made_unix_ms) const;

 private:
  struct Entry {
    uint64_t sequence;
    std::string pass;  // empty: all
    int32_t first, last;
    bool with_below;
  };
  struct Note {
    std::string by, worker;
    int64_t since_unix_ms, at_unix_ms;
  };
  using ByKey = absl::flat_hash_map<ResultKey, plan::Epoch, DigestHash>;

  std::map<std::string, std::vector<Entry>> by_stack_;
  // Never changed once it is there: snapshots share it.
  std::shared_ptr<const ByKey> by_key_ = std::make_shared<ByKey>();
  uint64_t newest_of_key_ = 0;
  std::map<uint64_t, Note> notes_;
  // Those of notes_ that are about a worker.
  std::vector<Note> distrusted_;
};

// "render3:4711" is a worker of "render3" and of itself.
bool IsWorkerOf(const std::string& worker, const std::string& name_or_host);

}  // namespace selvage
