// The stored form of tiles: from the disk, from other machines.
#include "cache/tile_codec.h"

#include "tests/fuzz/target.h"

using namespace selvage;

FUZZ_TARGET(tile) {
  if (const auto content = DecodeTile(text); content.ok()) {
    MUST(content->size() <= kMaxTileContent);
    const auto again = DecodeTile(EncodeTile(*content));
    MUST(again.ok() && *again == *content);
  } else {
    MUST(content.status().code() == absl::StatusCode::kDataLoss);
  }
  if (text.size() < 2) return;
  // Any bytes as any samples.
  const auto byte = [&](size_t i) { return static_cast<unsigned char>(text[i]); };
  const TileLayout layout{.sample_bytes = size_t{1} << (byte(0) % 3), .row_samples = byte(1) * size_t{3}};
  const std::string_view content = text.substr(2);
  const auto back = DecodeTile(EncodeTile(content, layout));
  MUST(back.ok() && *back == content);
}
