#include "cache/format.h"

#include <bit>

#include "proto/endian.h"
#include "proto/status.h"

namespace selvage::format {
namespace {

constexpr uint8_t kValueVersion = 1;
constexpr uint8_t kWithTileKeys = 2;
constexpr uint8_t kWithWarnings = 3;
constexpr uint8_t kWithStoring = 4;
constexpr Storing kLastStoring = Storing::kLongWay;

// Takes fields off the front; after anything went short, everything is zero and
// ok() is false.
class Reader {
 public:
  explicit Reader(std::string_view bytes) : bytes_(bytes) {}

  template <class T>
  T Little() {
    const std::string_view field = Bytes(sizeof(T));
    return field.empty() ? 0 : LoadLittle<T>(field.data());
  }
  template <class T>
  T Big() {
    const std::string_view field = Bytes(sizeof(T));
    return field.empty() ? 0 : LoadBig<T>(field.data());
  }
  std::string_view Bytes(size_t count) {
    if (count > bytes_.size()) {
      ok_ = false;
      bytes_ = {};
      return {};
    }
    const std::string_view field = bytes_.substr(0, count);
    bytes_.remove_prefix(count);
    return field;
  }
  std::string_view UntilNul() {
    const size_t end = bytes_.find('\0');
    if (end == std::string_view::npos) {
      ok_ = false;
      return {};
    }
    const std::string_view field = bytes_.substr(0, end);
    bytes_.remove_prefix(end + 1);
    return field;
  }
  Digest ReadDigest() { return Digest::FromBytes(Bytes(sizeof(Digest::bytes))).value_or(Digest()); }
  std::string_view rest() const { return bytes_; }
  bool ok() const { return ok_; }
  bool done() const { return ok_ && bytes_.empty(); }

 private:
  std::string_view bytes_;
  bool ok_ = true;
};

absl::Status CheckVersion(Reader* in, const char* what) {
  const uint64_t version = in->Little<uint8_t>();
  if (version == kValueVersion) return absl::OkStatus();
  return absl::DataLossError(absl::StrCat(what, " in the index has the unknown version ", version));
}

std::string Prefixed(char prefix, const Digest& digest) {
  std::string key(1, prefix);
  key += digest.view();
  return key;
}

}  // namespace

std::string PresenceKey(const Digest& digest) { return Prefixed(kPresencePrefix, digest); }
std::string TileKey(const Digest& digest) { return Prefixed(kTilePrefix, digest); }

std::optional<Digest> DigestOfPresenceKey(std::string_view key) {
  if (key.empty() || key[0] != kPresencePrefix) return std::nullopt;
  return Digest::FromBytes(key.substr(1));
}

std::string PresenceValue(uint32_t bytes) {
  std::string value;
  AppendLittle<uint32_t>(&value, bytes);
  return value;
}

std::optional<uint32_t> BytesOfPresenceValue(std::string_view value) {
  Reader in(value);
  const uint32_t bytes = static_cast<uint32_t>(in.Little<uint32_t>());
  return in.done() ? std::optional(bytes) : std::nullopt;
}

std::string ResultValue(const ResultRecord& record) {
  std::string value;
  const uint8_t version = record.storing != Storing::kStored ? kWithStoring
                          : !record.warnings.empty()         ? kWithWarnings
                          : !record.tile_keys.empty()        ? kWithTileKeys
                                                             : kValueVersion;
  AppendLittle<uint8_t>(&value, version);
  AppendLittle<uint64_t>(&value, std::bit_cast<uint64_t>(record.seconds));
  AppendLittle<uint64_t>(&value, static_cast<uint64_t>(record.made_unix_ms));
  AppendLittle<uint64_t>(&value, record.bytes);
  AppendLittle<uint32_t>(&value, record.worker.size());
  value += record.worker;
  if (version >= kWithTileKeys) {
    AppendLittle<uint32_t>(&value, record.tile_keys.size());
    value += record.tile_keys;
    AppendLittle<uint32_t>(&value, record.others.size());
    for (const Maker& maker : record.others) {
      AppendLittle<uint32_t>(&value, maker.worker().size());
      value += maker.worker();
      AppendLittle<uint64_t>(&value, static_cast<uint64_t>(maker.made_unix_ms()));
    }
  }
  if (version >= kWithWarnings) {
    AppendLittle<uint32_t>(&value, record.warnings.size());
    for (const Warning& warning : record.warnings) {
      AppendLittle<uint32_t>(&value, warning.ByteSizeLong());
      warning.AppendToString(&value);
    }
  }
  if (version >= kWithStoring) AppendLittle<uint8_t>(&value, static_cast<uint8_t>(record.storing));
  record.manifest.AppendToString(&value);
  return value;
}

absl::StatusOr<ResultRecord> ParseResultValue(std::string_view value) {
  Reader in(value);
  const uint8_t version = value.empty() ? uint8_t{0} : static_cast<uint8_t>(value[0]);
  if (version >= kWithTileKeys && version <= kWithStoring) {
    in.Little<uint8_t>();
  } else {
    RETURN_IF_ERROR(CheckVersion(&in, "a result"));
  }
  ResultRecord record;
  record.seconds = std::bit_cast<double>(in.Little<uint64_t>());
  record.made_unix_ms = static_cast<int64_t>(in.Little<uint64_t>());
  record.bytes = in.Little<uint64_t>();
  record.worker = in.Bytes(in.Little<uint32_t>());
  if (version >= kWithTileKeys) {
    record.tile_keys = in.Bytes(in.Little<uint32_t>());
    for (uint64_t left = in.Little<uint32_t>(); left > 0 && in.ok(); --left) {
      Maker& maker = record.others.emplace_back();
      maker.set_worker(std::string(in.Bytes(in.Little<uint32_t>())));
      maker.set_made_unix_ms(static_cast<int64_t>(in.Little<uint64_t>()));
    }
  }
  if (version >= kWithWarnings) {
    bool whole = true;
    for (uint64_t left = in.Little<uint32_t>(); left > 0 && in.ok(); --left) {
      const std::string_view bytes = in.Bytes(in.Little<uint32_t>());
      whole &= record.warnings.emplace_back().ParseFromArray(bytes.data(), static_cast<int>(bytes.size()));
    }
    if (!whole) return absl::DataLossError("a result in the index is malformed");
  }
  if (version >= kWithStoring) {
    const uint64_t storing = in.Little<uint8_t>();
    if (storing > static_cast<uint64_t>(kLastStoring)) return absl::DataLossError("a result in the index is malformed");
    record.storing = static_cast<Storing>(storing);
  }
  if (!in.ok() || !record.manifest.ParseFromArray(in.rest().data(), static_cast<int>(in.rest().size()))) {
    return absl::DataLossError("a result in the index is malformed");
  }
  return record;
}

std::string MadeByKey(const std::string& worker, int64_t made_unix_ms, const ResultKey& result) {
  std::string key = worker;
  key.push_back('\0');
  AppendBig<uint64_t>(&key, static_cast<uint64_t>(made_unix_ms));
  key += result.digest.view();
  return key;
}

absl::StatusOr<MadeBy> ParseMadeBy(std::string_view key) {
  MadeBy made;
  Reader k(key);
  made.worker = k.UntilNul();
  made.made_unix_ms = static_cast<int64_t>(k.Big<uint64_t>());
  made.key.digest = k.ReadDigest();
  if (!k.done()) return absl::DataLossError("a worker's result in the index is malformed");
  return made;
}

std::string NamedByKey(const Digest& tile, const ResultKey& key) { return tile.str() + key.digest.str(); }

std::string WorthKey(const WorthPlace& place) {
  std::string key;
  AppendBig<uint64_t>(&key, std::bit_cast<uint64_t>(place.worth));
  key += place.key.digest.view();
  return key;
}

absl::StatusOr<WorthPlace> ParseWorth(std::string_view key) {
  WorthPlace place;
  Reader k(key);
  place.worth = std::bit_cast<double>(k.Big<uint64_t>());
  place.key.digest = k.ReadDigest();
  if (!k.done()) return absl::DataLossError("a place in the order of eviction is malformed");
  return place;
}

absl::Status CheckNames(const IndexBatch& batch) {
  for (const NameRecord& n : batch.names) {
    if (n.stack.find('\0') != std::string::npos || n.pass.find('\0') != std::string::npos) {
      return absl::InvalidArgumentError("the name of a stack or a pass holds a NUL byte");
    }
  }
  for (const auto& [key, record] : batch.results) {
    for (const Maker& maker : MakersOf(record)) {
      if (maker.worker().find('\0') == std::string::npos) continue;
      return absl::InvalidArgumentError("the name of a worker holds a NUL byte");
    }
  }
  return absl::OkStatus();
}

std::string NamePrefix(const std::string& stack, const std::string& pass) {
  std::string key = stack;
  key.push_back('\0');
  if (pass.empty()) return key;
  key += pass;
  key.push_back('\0');
  return key;
}

std::string NameKey(const std::string& stack, const std::string& pass, uint32_t segment, int32_t frame) {
  std::string key = stack;
  key.push_back('\0');
  key += pass;
  key.push_back('\0');
  AppendBig<uint32_t>(&key, segment);
  AppendBig<uint32_t>(&key, static_cast<uint32_t>(frame) ^ 0x80000000u);
  return key;
}

std::string NameValue(const NameRecord& name) {
  std::string value;
  AppendLittle<uint8_t>(&value, kValueVersion);
  value += name.key.digest.view();
  value += name.recipe.view();
  return value;
}

absl::StatusOr<NameRecord> ParseName(std::string_view key, std::string_view value) {
  NameRecord name;
  Reader k(key);
  name.stack = k.UntilNul();
  name.pass = k.UntilNul();
  name.segment = static_cast<uint32_t>(k.Big<uint32_t>());
  name.frame = static_cast<int32_t>(static_cast<uint32_t>(k.Big<uint32_t>()) ^ 0x80000000u);
  Reader v(value);
  RETURN_IF_ERROR(CheckVersion(&v, "a name"));
  name.key.digest = v.ReadDigest();
  name.recipe = v.ReadDigest();
  if (!k.done() || !v.done()) return absl::DataLossError("a name in the index is malformed");
  return name;
}

std::string JournalKey(uint64_t sequence) {
  std::string key;
  AppendBig<uint64_t>(&key, sequence);
  return key;
}

std::string JournalValue(JournalType type, std::string_view payload) {
  std::string value;
  AppendLittle<uint8_t>(&value, kValueVersion);
  AppendLittle<uint8_t>(&value, static_cast<uint8_t>(type));
  value += payload;
  return value;
}

absl::StatusOr<JournalEntry> ParseJournal(std::string_view key, std::string_view value) {
  JournalEntry entry;
  Reader k(key);
  entry.sequence = k.Big<uint64_t>();
  Reader v(value);
  RETURN_IF_ERROR(CheckVersion(&v, "a journal entry"));
  entry.type = static_cast<JournalType>(v.Little<uint8_t>());
  entry.payload = v.rest();
  if (!k.done() || !v.ok()) return absl::DataLossError("a journal entry in the index is malformed");
  return entry;
}

}  // namespace selvage::format
