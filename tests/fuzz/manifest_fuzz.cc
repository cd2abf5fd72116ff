// Manifests and records of results, as they come over the network and from the disk.
#include "cache/manifest.h"

#include "cache/format.h"
#include "tests/fuzz/target.h"

using namespace selvage;

namespace {

void Use(const Manifest& m) {
  if (!ValidateManifest(m).ok()) return;
  Manifest copy = m;
  copy.clear_tiles();
  for (size_t i = 0; i < TileCount(m); ++i) AppendTile(&copy, GetTile(m, i));
  MUST(copy.tiles() == m.tiles());
  MUST(StoredDigests(m).size() <= TileCount(m));
  MUST(ContentDigest(copy) == ContentDigest(m));
  const TileGrid grid(m.window());
  for (int row = 0; row < grid.rows && row < 100; ++row) {
    for (int column = 0; column < grid.columns && column < 100; ++column) {
      const Window w = grid.TileWindow(column, row);
      MUST(w.width() >= 1 && w.width() <= kTileSize && w.height() >= 1 && w.height() <= kTileSize);
    }
  }
}

}  // namespace

FUZZ_TARGET(manifest) {
  Manifest m;
  if (text.size() > 1 && m.ParseFromArray(text.data(), static_cast<int>(text.size()))) Use(m);
  if (const auto record = format::ParseResultValue(text); record.ok()) {
    Use(record->manifest);
    // What was read is written as it was, or as a later version of the same.
    const auto again = format::ParseResultValue(format::ResultValue(*record));
    MUST(again.ok());
    MUST(again->worker == record->worker && again->bytes == record->bytes);
  }
  (void)format::ParseMadeBy(text);
  (void)format::ParseWorth(text);
  (void)format::ParseJournal("12345678", text);
  const size_t half = text.size() / 2;
  (void)format::ParseName(text.substr(0, half), text.substr(half));
}
