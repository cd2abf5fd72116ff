#include "worker/run/tiled_source.h"

#include <algorithm>
#include <cstring>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/kernels/pixels/half.h"

namespace selvage::worker {

absl::Status TiledSource::Describe(const Rect& rect, std::string* out) {
  for (int c = 0; c < manifest_.channel_size(); ++c) {
    EachTileOf(grid_, rect,
               [&](int place) { out->append(manifest_.tiles(), Number(c, place) * kTileRefBytes, kTileRefBytes); });
  }
  return absl::OkStatus();
}

absl::Status TiledSource::Read(const Rect& rect, Picture* out) {
  out->kind = kind();
  out->planes.clear();
  for (int c = 0; c < manifest_.channel_size(); ++c) {
    if (const auto value = ConstantOver(rect, c)) {
      out->planes.push_back(Plane::Filled(rect, *value));
      continue;
    }
    Plane plane(rect);
    absl::Status status;
    EachTileOf(grid_, rect, [&](int place) {
      if (status.ok()) status = CopyTile(c, place, &plane);
    });
    RETURN_IF_ERROR(status);
    out->planes.push_back(std::move(plane));
  }
  return absl::OkStatus();
}

std::optional<float> TiledSource::ConstantOver(const Rect& rect, int channel) const {
  std::optional<float> value;
  bool same = true;
  EachTileOf(grid_, rect, [&](int place) {
    const TileRef tile = Tile(Number(channel, place));
    same = same && tile.constant && (!value || *value == tile.value);
    value = tile.value;
  });
  return same ? value : std::nullopt;
}

absl::Status TiledSource::CopyTile(int channel, int place, Plane* plane) {
  const Rect area = ToRect(grid_.TileWindow(place % grid_.columns, place / grid_.columns));
  const Rect part = area.Intersect(plane->rect());
  const TileRef tile = Tile(Number(channel, place));
  if (tile.constant) {
    for (int y = part.y0; y < part.y1; ++y) {
      std::fill_n(plane->row(y) + (part.x0 - plane->rect().x0), part.width(), tile.value);
    }
    return absl::OkStatus();
  }
  ASSIGN_OR_RETURN(const TileContent content, ContentOf(Number(channel, place), tile));
  const size_t sample = manifest_.full_precision() ? 4 : 2;
  if (content->size() != area.area() * sample) {
    return absl::DataLossError(absl::StrCat("tile ", tile.digest.Hex(), " has another size than its place"));
  }
  for (int y = part.y0; y < part.y1; ++y) {
    const size_t at = static_cast<size_t>(y - area.y0) * area.width() + (part.x0 - area.x0);
    float* to = plane->row(y) + (part.x0 - plane->rect().x0);
    if (manifest_.full_precision()) {
      std::memcpy(to, content->data() + at * 4, sizeof(float) * part.width());
    } else {
      // Aligned: string data is, and samples are two bytes.
      HalfToFloat(reinterpret_cast<const uint16_t*>(content->data()) + at, to, part.width());
    }
  }
  return absl::OkStatus();
}

}  // namespace selvage::worker
