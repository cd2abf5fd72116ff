// What the tests of the cache share.
#pragma once

#include <stdlib.h>

#include <algorithm>
#include <cstring>
#include <filesystem>
#include <random>
#include <string>
#include <vector>

#include "cache/manifest.h"
#include "cache/result_index.h"
#include "cache/tile_codec.h"
#include "cache/tile_store.h"
#include "gtest/gtest.h"

#define ASSERT_OK(expr)                       \
  do {                                        \
    const absl::Status ok_status = (expr);    \
    ASSERT_TRUE(ok_status.ok()) << ok_status; \
  } while (false)
#define EXPECT_OK(expr)                       \
  do {                                        \
    const absl::Status ok_status = (expr);    \
    EXPECT_TRUE(ok_status.ok()) << ok_status; \
  } while (false)

namespace selvage {

// Gone at the end of the test.
class TempFolder {
 public:
  TempFolder() {
    std::string name = (std::filesystem::temp_directory_path() / "selvage-test-XXXXXX").string();
    if (mkdtemp(name.data()) == nullptr) std::abort();
    path_ = name;
  }
  ~TempFolder() {
    std::error_code ec;
    std::filesystem::remove_all(path_, ec);
  }
  TempFolder(const TempFolder&) = delete;
  TempFolder& operator=(const TempFolder&) = delete;
  const std::string& path() const { return path_; }

 private:
  std::string path_;
};

// Content that does not compress, different for each number.
inline std::string NoiseContent(uint64_t number, size_t bytes = 20000) {
  std::mt19937_64 random(number);
  std::string content(bytes, '\0');
  for (size_t i = 0; i < bytes; i += 8) {
    const uint64_t noise = random();
    std::memcpy(&content[i], &noise, std::min<size_t>(8, bytes - i));
  }
  return content;
}

inline StoredTile TileOfContent(const std::string& content) { return {Sha256(content), EncodeTile(content)}; }
inline StoredTile NoiseTile(uint64_t number, size_t bytes = 20000) {
  return TileOfContent(NoiseContent(number, bytes));
}

inline std::vector<Digest> DigestsOf(const std::vector<StoredTile>& tiles) {
  std::vector<Digest> digests;
  for (const StoredTile& t : tiles) digests.push_back(t.digest);
  return digests;
}

inline ResultKey KeyOf(const std::string& text) { return ResultKey{Sha256(text)}; }
inline ResultKey KeyOf(uint64_t number) { return KeyOf("key " + std::to_string(number)); }

// A matte of one row of tiles, one for each digest.
inline Manifest MatteOf(const std::vector<Digest>& digests) {
  Manifest m;
  m.set_kind(MATTE);
  m.add_channel("A");
  m.mutable_window()->set_width(static_cast<uint32_t>(digests.size()) * kTileSize);
  m.mutable_window()->set_height(kTileSize);
  for (const Digest& d : digests) AppendTile(&m, TileRef{.digest = d});
  return m;
}

inline ResultRecord RecordOf(const std::vector<StoredTile>& tiles, double seconds = 1) {
  ResultRecord r;
  r.manifest = MatteOf(DigestsOf(tiles));
  r.seconds = seconds;
  r.worker = "worker-1";
  r.made_unix_ms = 1700000000123;
  for (const StoredTile& t : tiles) r.bytes += t.data.size();
  return r;
}

inline bool SameRecord(const ResultRecord& a, const ResultRecord& b) {
  return a.manifest.SerializeAsString() == b.manifest.SerializeAsString() && a.seconds == b.seconds &&
         a.worker == b.worker && a.made_unix_ms == b.made_unix_ms && a.bytes == b.bytes;
}

}  // namespace selvage
