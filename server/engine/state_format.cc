#include "server/engine/state_format.h"

#include <boost/endian/conversion.hpp>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "cache/format.h"

namespace selvage::state {
namespace {

const std::string& Nul() {
  static const std::string nul(1, '\0');
  return nul;
}
constexpr char kLookedPrefix[] = "looked/";
constexpr size_t kKeyBytes = 32, kWishBytes = 1 + kKeyBytes;
// DO NOT CHANGE.
constexpr char kAlways = 1, kNever = 2;

std::string PlaceOf(const NameRecord& n) { return format::NameKey(n.stack, n.pass, n.segment, n.frame); }

}  // namespace

std::string After(std::string_view prefix, std::string_view name) { return std::string(name.substr(prefix.size())); }

std::string JobName(const std::string& id) { return absl::StrCat(kJobPrefix, id); }
std::string JobStackName(const std::string& id) { return absl::StrCat("job-stack/", id); }
std::string JobTargetsName(const std::string& id) { return absl::StrCat("job-targets/", id); }

std::string NumberValue(uint64_t number) {
  unsigned char bytes[8];
  boost::endian::store_little_u64(bytes, number);
  return std::string(reinterpret_cast<const char*>(bytes), sizeof bytes);
}

std::optional<uint64_t> ParseNumber(std::string_view value) {
  if (value.size() < 8) return std::nullopt;
  return boost::endian::load_little_u64(reinterpret_cast<const unsigned char*>(value.data()));
}

std::string JobTargetsValue(const JobTargets& targets) {
  std::string value = NumberValue(targets.epoch);
  for (const ResultKey& key : targets.keys) value += key.digest.view();
  return value;
}

std::optional<JobTargets> ParseJobTargets(std::string_view value) {
  const auto epoch = ParseNumber(value);
  if (!epoch) return std::nullopt;
  JobTargets targets;
  targets.epoch = *epoch;
  for (size_t at = 8; at + kKeyBytes <= value.size(); at += kKeyBytes) {
    targets.keys.push_back({*Digest::FromBytes(value.substr(at, kKeyBytes))});
  }
  return targets;
}

std::string FactsName(const std::string& path) { return absl::StrCat(kFactsPrefix, path); }
std::string IngredientsName(const NameRecord& place) { return absl::StrCat("made-of/", PlaceOf(place)); }
std::string LookedName(const NameRecord& place) { return absl::StrCat(kLookedPrefix, PlaceOf(place)); }
std::string LookedPrefix(const std::string& stack) {
  return absl::StrCat(kLookedPrefix, format::NamePrefix(stack, ""));
}

std::optional<NameRecord> ParseLooked(std::string_view name, std::string_view value) {
  const auto key = Digest::FromBytes(value);
  if (!key || !name.starts_with(kLookedPrefix)) return std::nullopt;
  // A name's value holds the key and a recipe, which looks don't remember.
  NameRecord record;
  record.key = {*key};
  auto place = format::ParseName(name.substr(sizeof kLookedPrefix - 1), format::NameValue(record));
  if (!place.ok()) return std::nullopt;
  return *std::move(place);
}

std::string SavingsName(const std::string& stack) { return absl::StrCat(kSavingsPrefix, stack); }
std::string EpochsName(const std::string& stack) { return absl::StrCat(kEpochsPrefix, stack); }
std::string DisownedName(const std::string& worker) { return absl::StrCat(kDisownedPrefix, worker); }
std::string KnownStackName(const std::string& stack) { return absl::StrCat(kStackPrefix, stack); }

std::string KeepChunkName(const std::string& stack, size_t chunk) {
  return absl::StrCat(kKeepPrefix, stack, Nul(), absl::StrFormat("%08u", chunk));
}

std::optional<std::string> StackOfKeepChunk(std::string_view name) {
  const size_t begin = sizeof kKeepPrefix - 1, end = name.rfind('\0');
  if (end == std::string_view::npos || end < begin) return std::nullopt;
  return std::string(name.substr(begin, end - begin));
}

std::string KeepChunkValue(std::span<const Wish> wishes) {
  std::string value;
  for (const auto& [key, keep] : wishes) {
    value.push_back(keep == Keep::kPinned ? kAlways : kNever);
    value += key.digest.view();
  }
  return value;
}

std::vector<Wish> ParseKeepChunk(std::string_view value) {
  std::vector<Wish> wishes;
  for (size_t at = 0; at + kWishBytes <= value.size(); at += kWishBytes) {
    const auto digest = Digest::FromBytes(value.substr(at + 1, kKeyBytes));
    wishes.emplace_back(ResultKey{*digest}, value[at] == kAlways ? Keep::kPinned : Keep::kFirstToGo);
  }
  return wishes;
}

std::string WrittenName(const std::string& stack, const std::string& deliverable, const std::string& host,
                        const std::string& path) {
  return absl::StrCat(WrittenPrefixOf(stack), deliverable, Nul(), host, Nul(), path);
}

std::string WrittenPrefixOf(const std::string& stack) { return absl::StrCat(kWrittenPrefix, stack, Nul()); }

namespace {

std::string NumberedName(const char* prefix, const std::string& stack, uint32_t number) {
  return absl::StrCat(prefix, stack, Nul(), absl::StrFormat("%08u", number));
}

}  // namespace

std::string VersionName(const std::string& stack, uint32_t number) {
  return NumberedName(kVersionPrefix, stack, number);
}
std::string VersionStackName(const std::string& stack, uint32_t number) {
  return NumberedName("version-stack/", stack, number);
}
std::string VersionTextName(const std::string& stack, uint32_t number) {
  return NumberedName("version-text/", stack, number);
}

std::string VersionValue(uint64_t bytes, const StackVersion& version) {
  return NumberValue(bytes) + version.SerializeAsString();
}

std::optional<uint64_t> ParseVersion(std::string_view value, StackVersion* version) {
  const auto bytes = ParseNumber(value);
  if (!bytes || !version->ParseFromArray(value.data() + 8, static_cast<int>(value.size() - 8))) return std::nullopt;
  return bytes;
}

}  // namespace selvage::state
