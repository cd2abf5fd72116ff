#include "worker/run/inner_result.h"

#include <algorithm>
#include <utility>

#include "google/protobuf/util/message_differencer.h"
#include "proto/status.h"
#include "worker/run/render_places.h"
#include "worker/run/sources.h"
#include "worker/run/tile_content.h"
#include "worker/run/tile_keys.h"

namespace selvage::worker {

InnerResult::InnerResult(std::unique_ptr<Chain> chain, int number, std::function<bool()> stopped, DecodedCache* memory,
                         Blame* blame, const TaskSpans& spans)
    : TiledSource(ShapeOf(chain->kind(), chain->window(), chain->full_precision())),
      chain_(std::move(chain)),
      number_(number),
      stopped_(std::move(stopped)),
      memory_(memory),
      blame_(blame),
      spans_(spans),
      tiles_(static_cast<size_t>(grid_.count()) * manifest_.channel_size()),
      contents_(tiles_.size()),
      known_(grid_.count()),
      here_(grid_.count()) {}

absl::Status InnerResult::Settle(const TaskSpec& task, TaskOutcome* outcome) {
  std::vector<bool> wanted(grid_.count(), true);
  if (const auto recipe = Digest::FromBytes(task.tile_recipe())) {
    const SpanScope scope(spans_, kHashTiles);
    ASSIGN_OR_RETURN(*outcome->mutable_tile_keys(), TileKeys(*chain_, *recipe, grid_));
    ASSIGN_OR_RETURN(const std::vector<bool> same, SameTiles(task.earlier(), manifest_, outcome->tile_keys(), nullptr));
    for (int place = 0; place < grid_.count(); ++place) {
      if (!same[place]) continue;
      for (int c = 0; c < manifest_.channel_size(); ++c) {
        tiles_[Number(c, place)] = GetTile(task.earlier().manifest(), Number(c, place));
      }
      known_[place] = true;
      wanted[place] = false;
    }
  }
  const auto rendered = std::count(wanted.begin(), wanted.end(), true);
  outcome->set_tiles_rendered(static_cast<uint32_t>(rendered));
  outcome->set_tiles_reused(static_cast<uint32_t>(grid_.count() - rendered));
  if (outcome->tiles_reused() > 0) *outcome->mutable_maker() = task.earlier().maker();
  RETURN_IF_ERROR(Render(std::move(wanted)));
  for (const TileRef& tile : tiles_) AppendTile(&manifest_, tile);
  RETURN_IF_ERROR(ValidateManifest(manifest_));
  *outcome->mutable_manifest() = manifest_;
  return absl::OkStatus();
}

absl::Status InnerResult::Know(const Manifest& known) {
  RETURN_IF_ERROR(ValidateManifest(known));
  Manifest shape = known;
  shape.clear_tiles();
  if (!google::protobuf::util::MessageDifferencer::Equals(shape, manifest_)) {
    return absl::InternalError("a result that is known has another shape than its task makes");
  }
  for (size_t number = 0; number < tiles_.size(); ++number) tiles_[number] = GetTile(known, number);
  known_.assign(known_.size(), true);
  manifest_ = known;
  return absl::OkStatus();
}

// From a result that this worker rendered a moment ago?
bool InnerResult::InMemory(int place) {
  if (!known_[place]) return false;
  for (int c = 0; c < manifest_.channel_size(); ++c) {
    const size_t number = Number(c, place);
    if (tiles_[number].constant || contents_[number]) continue;
    contents_[number] =
        std::static_pointer_cast<const std::string>(memory_->Find(TileMemoryKey(tiles_[number].digest)));
    if (!contents_[number]) return false;
  }
  return true;
}

absl::Status InnerResult::Read(const Rect& rect, Picture* out) {
  std::vector<bool> wanted(grid_.count());
  bool any = false;
  EachTileOf(grid_, rect, [&](int place) {
    if (here_[place]) return;
    here_[place] = InMemory(place);
    any |= !here_[place];
    wanted[place] = !here_[place];
  });
  if (any) RETURN_IF_ERROR(Render(std::move(wanted)));
  return TiledSource::Read(rect, out);
}

absl::Status InnerResult::Render(std::vector<bool> wanted) {
  if (chain_ == nullptr) return absl::InternalError("a tile is rendered twice");
  const absl::Status status =
      RenderPlaces(chain_.get(), wanted, stopped_, [this](const Picture& picture) { return Take(picture); });
  if (!status.ok()) {
    blame_->Settle(number_, 0);
    return status;
  }
  // Nothing is left to be rendered: what it was made from may go.
  if (std::all_of(here_.begin(), here_.end(), [](bool here) { return here; })) chain_.reset();
  return absl::OkStatus();
}

absl::Status InnerResult::Take(const Picture& picture) {
  if (static_cast<int>(picture.planes.size()) != manifest_.channel_size()) {
    return absl::InternalError("a picture has another number of channels than its kind");
  }
  SpanScope scope(spans_, kHashTiles);
  for (int place = 0; place < grid_.count(); ++place) {
    const Rect area = ToRect(grid_.TileWindow(place % grid_.columns, place / grid_.columns));
    if (!picture.rect().Contains(area)) continue;
    for (int c = 0; c < manifest_.channel_size(); ++c) {
      const size_t number = Number(c, place);
      MadeTile made = MakeTile(picture.planes[c], area, manifest_.full_precision());
      // Others built on what it was said to be.
      if (known_[place] && !(made.ref == tiles_[number])) {
        return absl::UnavailableError(
            "a tile came out differently than when it was rendered before; one of the workers is not to be trusted: "
            "invalidate what it made");
      }
      tiles_[number] = made.ref;
      contents_[number] = std::move(made.content);
      if (contents_[number]) {
        scope.AddBytes(contents_[number]->size());
        memory_->Put(TileMemoryKey(made.ref.digest), {contents_[number], contents_[number]->size() + 128});
      }
    }
    known_[place] = here_[place] = true;
  }
  return absl::OkStatus();
}

absl::StatusOr<TileContent> InnerResult::ContentOf(size_t number, const TileRef&) {
  if (!contents_[number]) return absl::InternalError("a tile that was not rendered is read");
  return contents_[number];
}

}  // namespace selvage::worker
