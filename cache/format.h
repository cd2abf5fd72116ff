// Every persistent key and value of the cache. DO NOT CHANGE a layout without a
// new version: caches live longer than daemons.
//
//   STATE/FORMAT   text: kFormatLine. Another version is refused, never guessed at.
//   STATE/tiles    RocksDB of tile bytes, one column family
//   STATE/index    RocksDB of everything else, the column families below
//   STATE/reserve  room for the two to write in when the disk is full (disk_room.h)
//   STATE/damaged-<time>/  files that could not be read, for whoever wants to look at
//                  them; never read again
//
// Integers in keys are big-endian (so that they sort), in values little-endian.
// Values begin with a version byte of their own.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "absl/status/statusor.h"
#include "cache/result_index.h"

namespace selvage::format {

// DO NOT CHANGE. Raise the number when anything in this file changes meaning.
inline constexpr char kFormatLine[] = "selvage state 6\n";
// What this program opens as well. 5 has no versions of stacks; 4 has no results of version 4, so nothing is to be
// done; 3 has its invalidations in the journal alone; 2
// also has no results of version 3 and no tiles that are stored as differences, so
// nothing is to be done; 1 also lacks named_by, worth
// and kFiledKey, which are made when it is opened.
inline constexpr const char* kOldFormatLines[] = {"selvage state 1\n", "selvage state 2\n", "selvage state 3\n",
                                                  "selvage state 4\n", "selvage state 5\n"};

inline constexpr char kTilesFolder[] = "tiles";
inline constexpr char kIndexFolder[] = "index";
inline constexpr char kReserveFile[] = "reserve";
inline constexpr char kDamagedFolder[] = "damaged-";

// --- STATE/tiles -----------------------------------------------------------
// Two entries a tile, always written and deleted in one batch:
//   'p' digest -> uint32 bytes of the stored form   (small: lies in the tree)
//   't' digest -> stored form (tile_codec.h)        (lies in a blob file)
// so that asking for presence, and listing, reads no tile. DO NOT CHANGE.
inline constexpr char kPresencePrefix = 'p';
inline constexpr char kTilePrefix = 't';
std::string PresenceKey(const Digest& digest);
std::string TileKey(const Digest& digest);
// nullopt for a key of another sort.
std::optional<Digest> DigestOfPresenceKey(std::string_view key);
std::string PresenceValue(uint32_t bytes);
std::optional<uint32_t> BytesOfPresenceValue(std::string_view value);

// --- STATE/index -----------------------------------------------------------
// Column families. DO NOT CHANGE the names.
inline constexpr char kResultsFamily[] = "results";     // result key -> result value
inline constexpr char kTracesFamily[] = "traces";       // trace key -> result key
inline constexpr char kTracesOfFamily[] = "traces_of";  // result key, trace key -> "" : for forgetting
inline constexpr char kMadeByFamily[] = "made_by";      // made-by key -> "" : for disowning
inline constexpr char kNamedByFamily[] = "named_by";    // tile digest, result key -> "" : for deleting tiles
inline constexpr char kWorthFamily[] = "worth";         // worth key -> "" : for evicting, cheapest first
inline constexpr char kNamesFamily[] = "names";         // name key -> name value
inline constexpr char kJournalFamily[] = "journal";     // uint64 sequence -> journal value
inline constexpr char kValuesFamily[] = "values";       // name -> value as given

// In the default family: all results are in named_by and worth. DO NOT CHANGE.
inline constexpr char kFiledKey[] = "filed";

// Result value: version 1, double seconds, int64 made_unix_ms, uint64 bytes,
// uint32 size and text of worker, then the manifest as a protobuf message (its
// field numbers are fixed in cache.proto). Version 2, where there are tile keys:
// before the manifest also uint32 size and bytes of the tile keys, uint32 count of
// others and for each uint32 size and text, int64 made_unix_ms. Version 3, where there
// are warnings: as version 2, and then uint32 count of warnings and for each uint32 size
// and a protobuf message. Version 4, where it is known why it is stored or is not: as
// version 3, and then a byte, a Storing. Not stored: no tile of it is in named_by.
// DO NOT CHANGE.
std::string ResultValue(const ResultRecord& record);
absl::StatusOr<ResultRecord> ParseResultValue(std::string_view value);

// Made-by key: worker, NUL, uint64 made_unix_ms, result key. DO NOT CHANGE.
std::string MadeByKey(const std::string& worker, int64_t made_unix_ms, const ResultKey& key);
struct MadeBy {
  std::string worker;
  int64_t made_unix_ms = 0;
  ResultKey key;
};
absl::StatusOr<MadeBy> ParseMadeBy(std::string_view key);

// Named-by key: tile digest, result key. DO NOT CHANGE.
std::string NamedByKey(const Digest& tile, const ResultKey& key);

// Worth key: the bits of the worth as a uint64 (which sort as it does, because it
// is never negative), result key. DO NOT CHANGE.
std::string WorthKey(const WorthPlace& place);
absl::StatusOr<WorthPlace> ParseWorth(std::string_view key);

// Name key: stack, NUL, pass, NUL, uint32 segment, uint32 frame with its sign
// bit flipped (so that frames sort). DO NOT CHANGE.
std::string NameKey(const std::string& stack, const std::string& pass, uint32_t segment, int32_t frame);
// Names must not hold the separator. Errors: INVALID_ARGUMENT.
absl::Status CheckNames(const IndexBatch& batch);
// What all names of a stack, or of one pass, begin with.
std::string NamePrefix(const std::string& stack, const std::string& pass);
// Name value: version 1, result key, recipe digest. DO NOT CHANGE.
std::string NameValue(const NameRecord& name);
absl::StatusOr<NameRecord> ParseName(std::string_view key, std::string_view value);

// Names of values that the cache itself writes; others belong to the daemon.
// DO NOT CHANGE.
inline constexpr char kUsesName[] = "evict/uses";     // use_counts.h
inline constexpr char kDamagedPrefix[] = "damaged/";  // then the result key: found damaged, not rendered since

std::string JournalKey(uint64_t sequence);
// Journal value: version 1, type byte, payload. DO NOT CHANGE.
std::string JournalValue(JournalType type, std::string_view payload);
absl::StatusOr<JournalEntry> ParseJournal(std::string_view key, std::string_view value);

}  // namespace selvage::format
