#include "worker/run/sources.h"

#include <algorithm>
#include <cstring>
#include <optional>
#include <unordered_map>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "cache/tile_codec.h"
#include "proto/status.h"
#include "worker/chain/not_finite.h"
#include "worker/files/plate_reader.h"
#include "worker/inputs/mask.h"
#include "worker/kernels/pixels/half.h"
#include "worker/picture/window.h"
#include "worker/run/tiled_source.h"

namespace selvage::worker {
namespace {

using Content = TileContent;

// Whether no sample is infinite or no number: of such a one all bits of the exponent are set.
template <typename U>
bool AllFinite(const std::string& content, U exponent) {
  bool finite = true;
  for (size_t at = 0; at + sizeof(U) <= content.size(); at += sizeof(U)) {
    U bits;
    std::memcpy(&bits, content.data() + at, sizeof bits);
    finite &= (bits & exponent) != exponent;
  }
  return finite;
}
bool AllFinite(const std::string& content, bool full_precision) {
  return full_precision ? AllFinite<uint32_t>(content, 0x7f800000) : AllFinite<uint16_t>(content, 0x7c00);
}

// Gets what is not remembered, all in one go. No result of ours has samples that are not
// finite: such a tile is as good as damaged, however well its digest fits.
absl::Status FetchTiles(TileStore& store, DecodedCache* memory, bool full_precision, const TaskSpans& spans,
                        std::unordered_map<Digest, Content, DigestHash>* tiles) {
  SpanScope scope(spans, kFetchTiles);
  std::vector<Digest> wanted;
  for (auto& [digest, content] : *tiles) {
    if (content) continue;
    content = std::static_pointer_cast<const std::string>(memory->Find(TileMemoryKey(digest)));
    if (!content) wanted.push_back(digest);
  }
  // 256 tiles in stored form are at most 32 MiB.
  constexpr size_t kBatch = 256;
  for (size_t from = 0; from < wanted.size(); from += kBatch) {
    const std::span<const Digest> batch(wanted.data() + from, std::min(kBatch, wanted.size() - from));
    ASSIGN_OR_RETURN(const auto coded, store.Get(batch));
    for (size_t i = 0; i < batch.size(); ++i) {
      if (!coded[i]) return absl::DataLossError(absl::StrCat("tile ", batch[i].Hex(), " is gone"));
      scope.AddBytes(coded[i]->size());
      ASSIGN_OR_RETURN(std::string raw, DecodeTile(*coded[i]));
      if (!AllFinite(raw, full_precision)) {
        return absl::DataLossError(absl::StrCat("tile ", batch[i].Hex(), " has samples that are no finite numbers"));
      }
      auto content = std::make_shared<const std::string>(std::move(raw));
      memory->Put(TileMemoryKey(batch[i]), {content, content->size() + 128});
      (*tiles)[batch[i]] = content;
    }
  }
  return absl::OkStatus();
}

class StoredSource final : public TiledSource {
 public:
  StoredSource(const Manifest& manifest, std::shared_ptr<TileStore> store, DecodedCache* memory, const TaskSpans& spans)
      : TiledSource(manifest), store_(std::move(store)), memory_(memory), spans_(spans) {}

  absl::Status Prefetch(const std::vector<Rect>& rects) override {
    std::unordered_map<Digest, Content, DigestHash> wanted;
    for (const Rect& rect : rects) {
      EachTileOf(grid_, rect, [&](int place) {
        for (int c = 0; c < manifest_.channel_size(); ++c) {
          const TileRef tile = Tile(Number(c, place));
          if (tile.constant) continue;
          const auto held = held_.find(tile.digest);
          wanted[tile.digest] = held == held_.end() ? nullptr : held->second;
        }
      });
    }
    RETURN_IF_ERROR(FetchTiles(*store_, memory_, manifest_.full_precision(), spans_, &wanted));
    held_ = std::move(wanted);
    return absl::OkStatus();
  }

 private:
  absl::StatusOr<Content> ContentOf(size_t, const TileRef& tile) override {
    Content& content = held_[tile.digest];
    if (!content) {
      std::unordered_map<Digest, Content, DigestHash> one{{tile.digest, nullptr}};
      RETURN_IF_ERROR(FetchTiles(*store_, memory_, manifest_.full_precision(), spans_, &one));
      content = one[tile.digest];
    }
    return content;
  }

  const std::shared_ptr<TileStore> store_;
  DecodedCache* const memory_;
  const TaskSpans spans_;
  // What the last Prefetch asked for, so that memory forgetting it is no harm.
  std::unordered_map<Digest, Content, DigestHash> held_;
};

class PlateSource final : public Source, public CountsNotFinite {
 public:
  explicit PlateSource(std::shared_ptr<const DecodedPlate> plate) : plate_(std::move(plate)) {}
  Kind kind() const override { return plate_->kind; }
  Rect window() const override { return plate_->window; }
  uint64_t not_finite() const override { return plate_->not_finite; }
  // Content of the file and decoding are in the recipe.
  absl::Status Describe(const Rect&, std::string*) override { return absl::OkStatus(); }
  absl::Status Read(const Rect& rect, Picture* out) override {
    *out = plate_->Read(rect);
    return absl::OkStatus();
  }

 private:
  const std::shared_ptr<const DecodedPlate> plate_;
};

class MaskSource final : public Source {
 public:
  MaskSource(const ResolvedMask& mask, const Rect& format, const TaskSpans& spans)
      : mask_(mask), format_(format), spans_(spans), grid_(ToWindow(format)), drawn_(grid_.count()) {}
  Kind kind() const override { return MATTE; }
  Rect window() const override { return format_; }
  // What is drawn, not the curves: a point that moves changes a few tiles.
  absl::Status Describe(const Rect& rect, std::string* out) override {
    RETURN_IF_ERROR(Draw(rect));
    EachTileOf(grid_, rect, [&](int index) { out->append(drawn_[index]->digest.view()); });
    return absl::OkStatus();
  }
  absl::Status Read(const Rect& rect, Picture* out) override {
    RETURN_IF_ERROR(Draw(rect));
    out->kind = MATTE;
    std::optional<float> value;
    bool same = true;
    EachTileOf(grid_, rect, [&](int index) {
      const Tile& tile = *drawn_[index];
      const float own = HalfToFloat(tile.samples[0]);
      same = same && tile.constant && (!value || *value == own);
      value = own;
    });
    if (same) {
      out->planes.assign(1, Plane::Filled(rect, *value));
      return absl::OkStatus();
    }
    out->planes.assign(1, Plane(rect));
    EachTileOf(grid_, rect, [&](int index) { Copy(index, &out->planes[0]); });
    return absl::OkStatus();
  }

 private:
  // At storage precision like every input, so that a mask and a pass that starts
  // from it are the same.
  struct Tile {
    bool constant = false;
    // A single one where it is constant.
    std::vector<uint16_t> samples;
    Digest digest;
  };

  // Each tile once: first for its digest, then to be read.
  absl::Status Draw(const Rect& rect) {
    const SpanScope scope(spans_, kDrawMasks);
    absl::Status status;
    EachTileOf(grid_, rect, [&](int index) {
      if (status.ok() && !drawn_[index]) status = DrawTile(index);
    });
    return status;
  }

  absl::Status DrawTile(int index) {
    Plane plane(Area(index));
    RETURN_IF_ERROR(RenderMask(mask_, &plane));
    Tile tile;
    tile.constant = plane.constant.has_value();
    tile.samples.resize(tile.constant ? 1 : plane.rect().area());
    uint16_t* to = tile.samples.data();
    if (tile.constant) {
      FloatToStored(&*plane.constant, to, 1);
    } else {
      for (int y = plane.rect().y0; y < plane.rect().y1; ++y, to += plane.rect().width()) {
        FloatToStored(plane.row(y), to, plane.rect().width());
      }
      // The same tile however it came about: an outline may come near and leave
      // nothing in it.
      const auto& all = tile.samples;
      tile.constant = std::all_of(all.begin(), all.end(), [&](uint16_t v) { return v == all.front(); });
      if (tile.constant) tile.samples.resize(1);
    }
    tile.digest = Sha256({reinterpret_cast<const char*>(tile.samples.data()), tile.samples.size() * sizeof(uint16_t)});
    drawn_[index] = std::move(tile);
    return absl::OkStatus();
  }

  void Copy(int index, Plane* plane) const {
    const Tile& tile = *drawn_[index];
    const Rect area = Area(index), part = area.Intersect(plane->rect());
    for (int y = part.y0; y < part.y1; ++y) {
      float* to = plane->row(y) + (part.x0 - plane->rect().x0);
      if (tile.constant) {
        std::fill_n(to, part.width(), HalfToFloat(tile.samples[0]));
      } else {
        const size_t at = static_cast<size_t>(y - area.y0) * area.width() + (part.x0 - area.x0);
        HalfToFloat(tile.samples.data() + at, to, part.width());
      }
    }
  }

  Rect Area(int index) const { return ToRect(grid_.TileWindow(index % grid_.columns, index / grid_.columns)); }

  const ResolvedMask mask_;
  const Rect format_;
  const TaskSpans spans_;
  const TileGrid grid_;
  std::vector<std::optional<Tile>> drawn_;
};

}  // namespace

std::string TileMemoryKey(const Digest& digest) { return "t" + digest.str(); }

absl::StatusOr<std::shared_ptr<Source>> OpenStored(const Manifest& manifest, std::shared_ptr<TileStore> store,
                                                   DecodedCache* memory, const TaskSpans& spans) {
  RETURN_IF_ERROR(ValidateManifest(manifest));
  if (manifest.kind() == BLOB) return absl::InternalError("a blob is no picture");
  return std::shared_ptr<Source>(std::make_shared<StoredSource>(manifest, std::move(store), memory, spans));
}

absl::StatusOr<std::shared_ptr<Source>> OpenPlate(const PlateRead& read, const Rect& format, const PlateLimits& limits,
                                                  DecodedCache* memory, const TaskSpans& spans) {
  // Layers may have any name: it comes last.
  const std::string key =
      absl::StrCat("p", read.digest(), ":", static_cast<int>(read.encoding()), ":", static_cast<int>(read.alpha()), ":",
                   format.width(), "x", format.height(), ":", read.part(), ":", read.layer());
  const auto decode = [&]() -> absl::StatusOr<DecodedCache::Made> {
    SpanScope scope(spans, kDecodePlate);
    ASSIGN_OR_RETURN(DecodedPlate plate, ReadPlate(read, format, limits));
    const size_t bytes = plate.bytes();
    scope.AddBytes(bytes);
    return DecodedCache::Made{std::make_shared<const DecodedPlate>(std::move(plate)), bytes};
  };
  ASSIGN_OR_RETURN(const DecodedCache::Value plate, memory->FindOrMake(key, decode));
  return std::shared_ptr<Source>(std::make_shared<PlateSource>(std::static_pointer_cast<const DecodedPlate>(plate)));
}

std::shared_ptr<Source> OpenMask(const ResolvedMask& mask, const Rect& format, const TaskSpans& spans) {
  return std::make_shared<MaskSource>(mask, format, spans);
}

absl::StatusOr<std::string> ReadBlob(const Manifest& manifest, TileStore& store, const TaskSpans& spans) {
  RETURN_IF_ERROR(ValidateManifest(manifest));
  if (manifest.kind() != BLOB) return absl::InternalError("a picture is no blob");
  SpanScope scope(spans, kFetchTiles);
  std::string bytes;
  bytes.reserve(manifest.blob_size());
  for (size_t i = 0; i < TileCount(manifest); ++i) {
    const Digest digest = GetTile(manifest, i).digest;
    ASSIGN_OR_RETURN(const auto coded, store.Get(std::span(&digest, 1)));
    if (!coded[0]) return absl::DataLossError(absl::StrCat("chunk ", digest.Hex(), " is gone"));
    scope.AddBytes(coded[0]->size());
    ASSIGN_OR_RETURN(const std::string raw, DecodeTile(*coded[0]));
    bytes += raw;
  }
  if (bytes.size() != manifest.blob_size()) return absl::DataLossError("a blob has another size than it says");
  return bytes;
}

}  // namespace selvage::worker
