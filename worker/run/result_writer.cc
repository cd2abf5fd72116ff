#include "worker/run/result_writer.h"

#include <cmath>
#include <cstring>
#include <limits>

#include "proto/status.h"
#include "worker/kernels/pixels/half.h"
#include "worker/picture/window.h"
#include "worker/run/sources.h"

namespace selvage::worker {
namespace {

// Messages of about this size keep a stream busy without growing either side.
constexpr size_t kBatchBytes = 1 << 20;

// As FloatToStored, for results in binary32.
float Finite(float v) {
  if (std::isnan(v)) return 0;
  const float limit = std::numeric_limits<float>::max();
  return std::min(std::max(v, -limit), limit) + 0.0f;
}

// All samples equal?
bool AllEqual(const std::string& content, size_t sample) {
  return content.size() <= sample || std::memcmp(content.data(), content.data() + sample, content.size() - sample) == 0;
}

}  // namespace

void ResultWriter::BeginPicture(Kind kind, const Rect& window, bool full_precision) {
  manifest_.Clear();
  contents_.clear();
  manifest_.set_kind(kind);
  *manifest_.mutable_window() = ToWindow(window);
  manifest_.set_full_precision(full_precision);
  if (kind == MATTE) {
    manifest_.add_channel("A");
  } else {
    for (const char* c : {"R", "G", "B", "A"}) manifest_.add_channel(c);
  }
  tiles_.assign(static_cast<size_t>(TileGrid(manifest_.window()).count()) * manifest_.channel_size(), TileRef{});
}

TileRef ResultWriter::Take(std::string content, const TileLayout& layout) {
  TileRef tile;
  tile.digest = Sha256(content);
  Held& held = contents_[tile.digest];
  if (!held.content) held = {std::make_shared<const std::string>(std::move(content)), layout};
  return tile;
}

absl::Status ResultWriter::Add(const Picture& picture) {
  const TileGrid grid(manifest_.window());
  const bool full = manifest_.full_precision();
  const size_t sample = full ? 4 : 2;
  if (static_cast<int>(picture.planes.size()) != manifest_.channel_size()) {
    return absl::InternalError("a picture has another number of channels than its kind");
  }
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      const Rect area = ToRect(grid.TileWindow(column, row));
      if (!picture.rect().Contains(area)) continue;
      for (size_t c = 0; c < picture.planes.size(); ++c) {
        const Plane& plane = picture.planes[c];
        TileRef& tile = tiles_[c * grid.count() + row * grid.columns + column];
        std::string content(plane.constant ? sample : area.area() * sample, '\0');
        if (plane.constant) {
          if (full) {
            const float v = Finite(*plane.constant);
            std::memcpy(content.data(), &v, 4);
          } else {
            FloatToStored(&*plane.constant, reinterpret_cast<uint16_t*>(content.data()), 1);
          }
        } else {
          for (int y = area.y0; y < area.y1; ++y) {
            const float* from = plane.row(y) + (area.x0 - plane.rect().x0);
            const size_t at = static_cast<size_t>(y - area.y0) * area.width();
            if (full) {
              float* to = reinterpret_cast<float*>(content.data()) + at;
              for (int x = 0; x < area.width(); ++x) to[x] = Finite(from[x]);
            } else {
              FloatToStored(from, reinterpret_cast<uint16_t*>(content.data()) + at, area.width());
            }
          }
        }
        if (!AllEqual(content, sample)) {
          tile = Take(std::move(content), {.sample_bytes = sample, .row_samples = static_cast<size_t>(area.width())});
          continue;
        }
        tile = TileRef{};
        tile.constant = true;
        if (full) {
          std::memcpy(&tile.value, content.data(), 4);
        } else {
          uint16_t half;
          std::memcpy(&half, content.data(), 2);
          tile.value = HalfToFloat(half);
        }
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
  manifest_.Clear();
  contents_.clear();
  tiles_.clear();
  manifest_.set_kind(BLOB);
  manifest_.set_blob_size(bytes.size());
  for (size_t at = 0; at < bytes.size(); at += kBlobChunkBytes)
    tiles_.push_back(Take(bytes.substr(at, kBlobChunkBytes), {}));
  return absl::OkStatus();
}

absl::StatusOr<Manifest> ResultWriter::Finish() {
  for (const TileRef& tile : tiles_) AppendTile(&manifest_, tile);
  RETURN_IF_ERROR(ValidateManifest(manifest_));
  RETURN_IF_ERROR(Rewrite());
  // Likely to be read here again by the passes below.
  if (manifest_.kind() != BLOB) {
    for (const auto& [digest, held] : contents_) {
      if (held.content) memory_->Put(TileMemoryKey(digest), {held.content, held.content->size() + 128});
    }
  }
  return manifest_;
}

absl::Status ResultWriter::Rewrite() {
  std::vector<Digest> digests;
  for (const auto& [digest, held] : contents_) digests.push_back(digest);
  if (digests.empty()) return absl::OkStatus();
  ASSIGN_OR_RETURN(const std::vector<Digest> missing, store_->FindMissing(digests));
  std::vector<StoredTile> batch;
  size_t bytes = 0;
  for (const Digest& digest : missing) {
    const Held& held = contents_.at(digest);
    if (!held.content) return absl::UnavailableError("a reused tile is no longer in the store");
    batch.push_back({digest, EncodeTile(*held.content, held.layout)});
    bytes += batch.back().data.size();
    if (bytes < kBatchBytes) continue;
    RETURN_IF_ERROR(store_->Put(batch));
    batch.clear();
    bytes = 0;
  }
  return batch.empty() ? absl::OkStatus() : store_->Put(batch);
}

}  // namespace selvage::worker
