// Results with their tiles, and whether they are all there.
#pragma once

#include <vector>

#include "cache/open.h"
#include "tests/cache/cache_testing.h"

namespace selvage {

inline std::vector<StoredTile> TilesOfResult(int number) {
  std::vector<StoredTile> tiles;
  for (int k = 0; k < 5; ++k) tiles.push_back(NoiseTile(5 * number + k, 30000));
  // One that all share.
  tiles.push_back(NoiseTile(1 << 20, 30000));
  return tiles;
}

// The digest just before one.
inline Digest BeforeOf(Digest d) {
  for (size_t i = d.bytes.size(); i-- > 0;) {
    if (d.bytes[i]-- != 0) break;
  }
  return d;
}

// Every result that the index names has its tiles, verified.
inline int CountWhole(Cache& cache) {
  int whole = 0;
  EXPECT_OK(cache.index->ScanResults([&](const ResultKey& key, const ResultRecord& r) {
    const auto found = cache.tiles->Get(StoredDigests(r.manifest));
    ASSERT_OK(found.status());
    for (const auto& tile : *found) ASSERT_TRUE(tile);
    // Eviction knows it: it lies somewhere in the order, and none of its tiles is anybody's to delete.
    EXPECT_TRUE(cache.index->FindUnnamed(StoredDigests(r.manifest)).value().empty());
    const auto next = cache.index->ListPlaces({WorthOf(r), ResultKey{BeforeOf(key.digest)}}, 1).value();
    EXPECT_EQ(next, (std::vector<WorthPlace>{{WorthOf(r), key}}));
    ++whole;
  }));
  EXPECT_EQ(cache.stats().damaged, 0u);
  return whole;
}

}  // namespace selvage
