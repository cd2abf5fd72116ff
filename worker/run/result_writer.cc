#include "worker/run/result_writer.h"

#include "proto/status.h"
#include "worker/picture/window.h"
#include "worker/run/sources.h"
#include "worker/run/tile_content.h"

namespace selvage::worker {
namespace {

// Messages of about this size keep a stream busy without growing either side.
constexpr size_t kBatchBytes = 1 << 20;

}  // namespace

void ResultWriter::BeginPicture(Kind kind, const Rect& window, bool full_precision) {
  contents_.clear();
  manifest_ = ShapeOf(kind, window, full_precision);
  tiles_.assign(static_cast<size_t>(TileGrid(manifest_.window()).count()) * manifest_.channel_size(), TileRef{});
}

TileRef ResultWriter::TakeChunk(std::string content) {
  TileRef tile;
  tile.digest = Sha256(content);
  Held& held = contents_[tile.digest];
  if (!held.content) held = {std::make_shared<const std::string>(std::move(content)), {}};
  return tile;
}

absl::Status ResultWriter::Add(const Picture& picture) {
  const TileGrid grid(manifest_.window());
  const bool full = manifest_.full_precision();
  if (static_cast<int>(picture.planes.size()) != manifest_.channel_size()) {
    return absl::InternalError("a picture has another number of channels than its kind");
  }
  SpanScope scope(spans_, kHashTiles);
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      const Rect area = ToRect(grid.TileWindow(column, row));
      if (!picture.rect().Contains(area)) continue;
      for (size_t c = 0; c < picture.planes.size(); ++c) {
        TileRef& tile = tiles_[c * grid.count() + row * grid.columns + column];
        MadeTile made = MakeTile(picture.planes[c], area, full);
        tile = made.ref;
        if (!made.content) continue;
        scope.AddBytes(made.content->size());
        Held& held = contents_[tile.digest];
        if (!held.content) held = {std::move(made.content), LayoutOf(area, full)};
      }
    }
  }
  return absl::OkStatus();
}

void ResultWriter::TakeOver(const Manifest& earlier, int place) {
  const size_t places = tiles_.size() / manifest_.channel_size();
  for (size_t number = place; number < tiles_.size(); number += places) {
    tiles_[number] = GetTile(earlier, number);
    if (!tiles_[number].constant) contents_.try_emplace(tiles_[number].digest);
  }
}

absl::Status ResultWriter::AddBlob(const std::string& bytes) {
  SpanScope scope(spans_, kHashTiles);
  scope.AddBytes(bytes.size());
  manifest_.Clear();
  contents_.clear();
  tiles_.clear();
  manifest_.set_kind(BLOB);
  manifest_.set_blob_size(bytes.size());
  for (size_t at = 0; at < bytes.size(); at += kBlobChunkBytes)
    tiles_.push_back(TakeChunk(bytes.substr(at, kBlobChunkBytes)));
  return absl::OkStatus();
}

void ResultWriter::TakeOverBlob(const Manifest& earlier) {
  manifest_ = earlier;
  manifest_.clear_tiles();
  contents_.clear();
  tiles_.clear();
  for (size_t i = 0; i < TileCount(earlier); ++i) {
    tiles_.push_back(GetTile(earlier, i));
    contents_.try_emplace(tiles_.back().digest);
  }
}

absl::StatusOr<Manifest> ResultWriter::Finish() {
  for (const TileRef& tile : tiles_) AppendTile(&manifest_, tile);
  RETURN_IF_ERROR(ValidateManifest(manifest_));
  // Likely to be read here again by the passes below.
  if (manifest_.kind() != BLOB) {
    for (const auto& [digest, held] : contents_) {
      if (held.content) memory_->Put(TileMemoryKey(digest), {held.content, held.content->size() + 128});
    }
  }
  return manifest_;
}

absl::Status ResultWriter::Store(const TaskSpans& spans) const {
  SpanScope storing(spans, kStoreTiles);
  std::vector<Digest> digests;
  for (const auto& [digest, held] : contents_) digests.push_back(digest);
  if (digests.empty()) return absl::OkStatus();
  ASSIGN_OR_RETURN(const std::vector<Digest> missing, store_->FindMissing(digests));
  std::vector<StoredTile> batch;
  size_t bytes = 0;
  for (const Digest& digest : missing) {
    const Held& held = contents_.at(digest);
    if (!held.content) return absl::UnavailableError("a reused tile is no longer in the store");
    {
      SpanScope encoding(spans, kEncodeTiles);
      encoding.AddBytes(held.content->size());
      batch.push_back({digest, EncodeTile(*held.content, held.layout)});
    }
    bytes += batch.back().data.size();
    storing.AddBytes(batch.back().data.size());
    if (bytes < kBatchBytes) continue;
    RETURN_IF_ERROR(store_->Put(batch));
    batch.clear();
    bytes = 0;
  }
  return batch.empty() ? absl::OkStatus() : store_->Put(batch);
}

}  // namespace selvage::worker
