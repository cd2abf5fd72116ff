// What is known of results: key -> manifest, trace key -> key, names, journal,
// jobs, plate facts. Engines: rocks_result_index (disk), memory_result_index.
#pragma once

#include <compare>
#include <cstdint>
#include <functional>
#include <limits>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "proto/cache.pb.h"
#include "proto/digest.h"

namespace selvage {

// Why the tiles of a result are in the store, or are not. DO NOT CHANGE the numbers.
enum class Storing : uint8_t {
  // Everything that is not told apart, and all results of before it was asked.
  kStored = 0,
  // Not in the store: handed on in memory and rendered again with what needs it.
  kHandedOn = 1,
  kAlways = 2,
  kDeliverable = 3,
  kLook = 4,
  kMeasured = 5,
  kHeavy = 6,  // made or read by a heavy step
  kReadBySeveral = 7,
  kWorkingEdge = 8,
  kLongWay = 9,
};

struct ResultRecord {
  Manifest manifest;
  // Seconds that rendering all of it takes: what a reuse saves.
  double seconds = 0;
  // Name of the worker that made it ("host:pid"), for disowning a sick machine's work.
  std::string worker;
  int64_t made_unix_ms = 0;
  // Stored bytes of its tiles when committed (shared tiles counted in each).
  uint64_t bytes = 0;
  // What its tiles were made of (TaskOutcome.tile_keys): with them a later
  // result of the same segment and frame reuses what did not change. They
  // come and go with the result, so nothing else bounds them.
  std::string tile_keys;
  // Who rendered the tiles that it reuses of earlier results: each worker once,
  // with its newest time.
  std::vector<Maker> others;
  // Of this result and of those that it is made of, as far as they were known.
  std::vector<Warning> warnings;
  Storing storing = Storing::kStored;

  // Of one that is not, the manifest only says what its tiles are.
  bool stored() const { return storing != Storing::kHandedOn; }
};

// Digests of all tiles that the record keeps in the store.
std::vector<Digest> StoredTilesOf(const ResultRecord& record);

// The worker that made it and the others, each once.
std::vector<Maker> MakersOf(const ResultRecord& record);

// What a result costs besides its tiles: its manifest and index entries.
inline constexpr uint64_t kResultOverheadBytes = 4096;
// Seconds that a result saves for a byte, used once. Never negative, always finite.
double WorthOf(const ResultRecord& record);

// A place in the order of eviction: least worth first, equals by key.
struct WorthPlace {
  double worth = 0;
  ResultKey key;
  auto operator<=>(const WorthPlace&) const = default;
};
// At the end of the order: what may not be evicted, as long as nobody looks again.
inline constexpr double kSetAside = std::numeric_limits<double>::infinity();

// Who last had which result: one line per stack, pass, segment and frame.
struct NameRecord {
  std::string stack, pass;
  uint32_t segment = 0;
  int32_t frame = 0;
  ResultKey key;
  // Digest of the segment's own recipe without its inputs: tells "its own
  // settings changed" from "something that it is made from changed".
  Digest recipe;
};

// One entry of the journal, written in the same synced batch as the state it
// describes. DO NOT CHANGE the numbers.
enum class JournalType : uint8_t {
  kJobSubmitted = 1,
  kInvalidated = 2,
  kJobCancelled = 3,
  kJobFinished = 4,
};
struct JournalEntry {
  uint64_t sequence = 0;
  JournalType type = JournalType::kJobSubmitted;
  std::string payload;
};

// Everything in one batch becomes durable together or not at all.
struct IndexBatch {
  std::vector<std::pair<ResultKey, ResultRecord>> results;
  // Trace key (own recipe + content digests of the inputs) -> result key.
  std::vector<std::pair<Digest, ResultKey>> traces;
  std::vector<NameRecord> names;
  // Places whose names go; keys and recipes are not read. Applied before `names`.
  std::vector<NameRecord> forget_names;
  // Sequence numbers are given by the index, in order.
  std::vector<std::pair<JournalType, std::string>> journal;
  // Numbers of entries that nobody needs any more. The newest one of all stays: the
  // next number follows it.
  std::vector<uint64_t> journal_done;
  // Small named values: jobs ("job/<id>"), plate facts ("plate/<path>"). An empty value deletes.
  std::vector<std::pair<std::string, std::string>> values;
  // Results to forget, with the traces that lead to them. Applied before
  // everything else in the batch. Unknown keys are harmless.
  std::vector<ResultKey> forget;
  // Places in the order of eviction, and the worth to move each to. Where the
  // result is not there, or is forgotten in this batch, the place goes. REQUIRES:
  // not of results of this batch.
  std::vector<std::pair<WorthPlace, double>> moves;

  // Forgets a result whose tiles were found damaged or missing. Its name among the
  // values says so until the result is there again.
  void ForgetDamaged(const ResultKey& key);
};
std::string DamagedName(const ResultKey& key);

// All methods may be called from any thread.
class ResultIndex {
 public:
  virtual ~ResultIndex() = default;

  // One entry a key, in order; nullopt where unknown.
  virtual absl::StatusOr<std::vector<std::optional<ResultRecord>>> Find(std::span<const ResultKey> keys) = 0;
  virtual absl::StatusOr<std::optional<ResultKey>> FindTrace(const Digest& trace_key) = 0;
  // Names of one stack's pass (all segments and frames), or of the whole stack
  // with an empty pass.
  virtual absl::StatusOr<std::vector<NameRecord>> FindNames(const std::string& stack, const std::string& pass) = 0;
  // The name at each place; their keys and recipes are not read.
  virtual absl::StatusOr<std::vector<std::optional<NameRecord>>> FindNamesAt(std::span<const NameRecord> places) = 0;
  // Stacks that have names, in order. Its cost follows their number, not that of
  // the names.
  virtual absl::StatusOr<std::vector<std::string>> ListStacks() = 0;
  // Results that a worker of this name made at `since_unix_ms` or later, in whole
  // or in part, or all workers of this host ("render3" for "render3:4711"). Some
  // may be gone, or rendered again by another worker since, or be there twice.
  virtual absl::StatusOr<std::vector<ResultKey>> FindMadeBy(const std::string& worker, int64_t since_unix_ms) = 0;
  virtual absl::StatusOr<std::optional<std::string>> FindValue(const std::string& name) = 0;
  // Values whose names start with `prefix`, in order, names included.
  virtual absl::StatusOr<std::vector<std::pair<std::string, std::string>>> ListValues(const std::string& prefix) = 0;
  // Journal from `from_sequence` on, in order.
  virtual absl::Status ReadJournal(uint64_t from_sequence, const std::function<void(const JournalEntry&)>& visit) = 0;

  // Atomic and durable when it returns. Returns the sequence number of the last
  // journal entry written (of the newest one if the batch has none).
  // Errors: RESOURCE_EXHAUSTED no space: nothing was written;
  // INVALID_ARGUMENT a name with a NUL byte in it.
  virtual absl::StatusOr<uint64_t> Commit(const IndexBatch& batch) = 0;

  // Up to `count` places after this one, in the order of eviction. Every result has
  // one: Commit puts it where WorthOf says, and moves it after that. Places of
  // results that are gone, and second ones, may be among them: whoever looks moves them.
  virtual absl::StatusOr<std::vector<WorthPlace>> ListPlaces(const WorthPlace& after, size_t count) = 0;

  // Those of the tiles that no result names.
  virtual absl::StatusOr<std::vector<Digest>> FindUnnamed(std::span<const Digest> tiles) = 0;

  // Visits every result as of one moment, in any order; commits go on meanwhile.
  virtual absl::Status ScanResults(const std::function<void(const ResultKey&, const ResultRecord&)>& visit) = 0;

  // Number of results (an estimate is enough).
  virtual uint64_t CountResults() = 0;
};

}  // namespace selvage
