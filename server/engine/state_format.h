// Every persistent name and value that the daemon itself keeps in the index's
// values (cache/format.h has the rest). DO NOT CHANGE a layout: state folders
// live longer than daemons.
//
//   job/ID            JobProgress: the job as people see it
//   job-stack/ID      Stack that was submitted
//   job-targets/ID    uint64 newest invalidation, then the keys of the targets
//   plate/PATH        PlateFacts of a file as it was when it was read
//   made-of/PLACE     Ingredients of what was last submitted at a place
//   looked/PLACE      key of what a look rendered there since
//   keep/STACK 0 N    chunk of what a stack keeps
//   savings/STACK     Savings
//   epochs/STACK      StackEpochsRow
//   epochs-floor      uint64: invalidations of stacks that were forgotten
//   disowned/WORKER   DisownedRow
//   stack/STACK       KnownStackRow
//   written/STACK 0 DELIVERABLE 0 HOST 0 PATH   WrittenRow
//   version/STACK 0 N        uint64 bytes of the next two, then StackVersion
//   version-stack/STACK 0 N  Stack that was submitted
//   version-text/STACK 0 N   the file that it was read from
//   measured          MeasuredRow
//   damaged/KEY       (cache/result_index.h)
//
// 0 is a NUL byte, N a number with eight digits; a PLACE is format::NameKey. Integers are little-endian.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "cache/evict.h"
#include "cache/result_index.h"
#include "proto/job.pb.h"

namespace selvage::state {

inline constexpr char kJobPrefix[] = "job/";
inline constexpr char kFactsPrefix[] = "plate/";
inline constexpr char kKeepPrefix[] = "keep/";
inline constexpr char kSavingsPrefix[] = "savings/";
inline constexpr char kEpochsPrefix[] = "epochs/";
inline constexpr char kEpochsFloorName[] = "epochs-floor";
inline constexpr char kDisownedPrefix[] = "disowned/";
inline constexpr char kStackPrefix[] = "stack/";
inline constexpr char kWrittenPrefix[] = "written/";
inline constexpr char kVersionPrefix[] = "version/";
inline constexpr char kMeasuredName[] = "measured";
inline constexpr char kDamagedPrefix[] = "damaged/";

// What follows a prefix in a name. REQUIRES: the name begins with it.
std::string After(std::string_view prefix, std::string_view name);

std::string JobName(const std::string& id);
std::string JobStackName(const std::string& id);
std::string JobTargetsName(const std::string& id);
struct JobTargets {
  // Newest invalidation that the plan knew of.
  uint64_t epoch = 0;
  std::vector<ResultKey> keys;
};
std::string JobTargetsValue(const JobTargets& targets);
std::optional<JobTargets> ParseJobTargets(std::string_view value);

std::string FactsName(const std::string& path);
std::string IngredientsName(const NameRecord& place);
std::string LookedName(const NameRecord& place);
// What all looked/ names of a stack begin with, and the place of one.
std::string LookedPrefix(const std::string& stack);
std::optional<NameRecord> ParseLooked(std::string_view name, std::string_view value);

std::string SavingsName(const std::string& stack);
std::string EpochsName(const std::string& stack);
std::string DisownedName(const std::string& worker);
std::string KnownStackName(const std::string& stack);
std::string NumberValue(uint64_t number);
std::optional<uint64_t> ParseNumber(std::string_view value);

// A result and whether it is kept or goes first.
using Wish = std::pair<ResultKey, Keep>;
inline constexpr size_t kWishesAChunk = 4096;
std::string KeepChunkName(const std::string& stack, size_t chunk);
std::optional<std::string> StackOfKeepChunk(std::string_view name);
// A byte (1 always, 2 never) and the key for each.
std::string KeepChunkValue(std::span<const Wish> wishes);
std::vector<Wish> ParseKeepChunk(std::string_view value);

// REQUIRES: no NUL byte in any of them.
std::string WrittenName(const std::string& stack, const std::string& deliverable, const std::string& host,
                        const std::string& path);
std::string WrittenPrefixOf(const std::string& stack);

std::string VersionName(const std::string& stack, uint32_t number);
std::string VersionStackName(const std::string& stack, uint32_t number);
std::string VersionTextName(const std::string& stack, uint32_t number);
std::string VersionValue(uint64_t bytes, const StackVersion& version);
// Gives the bytes; nullopt if it cannot be read.
std::optional<uint64_t> ParseVersion(std::string_view value, StackVersion* version);

}  // namespace selvage::state
