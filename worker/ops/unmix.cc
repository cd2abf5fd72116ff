// Alpha by unmixing foreground and screen. Contract: proto/ops/key.proto.
#include "proto/status.h"
#include "worker/chain/op.h"
#include "worker/kernels/geometry/bit_rows.h"
#include "worker/kernels/unmix/solid_core.h"
#include "worker/kernels/unmix/unmix_solve.h"

namespace selvage::worker {
namespace {

// Sets bits where a matte is 1; nothing where it is not connected.
void SetWhereOne(const Input* matte, const Rect& rect, bool value, Bitmap* bits) {
  if (!matte) return;
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* from = matte->picture.planes[0].row(y);
    uint8_t* to = bits->row(y - rect.y0);
    for (int x = 0; x < rect.width(); ++x) {
      if (from[x] >= 1.0f) to[x] = value;
    }
  }
}

// Where a matte is above 0; nothing where it is not connected.
Bitmap WhereAny(const Input* matte, const Rect& rect) {
  Bitmap bits(rect.width(), rect.height());
  if (!matte) return bits;
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* from = matte->picture.planes[0].row(y);
    uint8_t* to = bits.row(y - rect.y0);
    for (int x = 0; x < rect.width(); ++x) to[x] = from[x] > 0.0f;
  }
  return bits;
}

void AddWhere(const Bitmap& other, Bitmap* bits) { AddBitsRow(other.row(0), other.bits().size(), bits->row(0)); }

// Marks, tape and folds on the screen: small parts of the band that touch no core
// and are mostly in the screen's hue, as lit or shaded screen or by their tint.
constexpr float kTintOfScreen = 0.6f;
// More than one in so many of their pixels above that key: something dark of its own.
constexpr float kDeepKey = 0.7f;
constexpr size_t kDeepOneIn = 20;
constexpr double kLargestMark = 400;

Bitmap FindIslands(const Bitmap& alike, const Plane& tint, const Plane& key, const Grid& grid, const Bitmap& core,
                   const Bitmap& sure) {
  const double scale = KeyScale(grid.fine);
  Bitmap band(core.width(), core.height()), islands(core.width(), core.height());
  NeitherRow(core.row(0), sure.row(0), band.bits().size(), band.row(0));
  for (const std::vector<PartRun>& part : PartsAwayFrom(band, core)) {
    size_t all = 0, like = 0, tinted = 0, deep = 0;
    for (const PartRun& run : part) {
      const float *t = tint.row(run.y / grid.factor), *k = key.row(run.y / grid.factor);
      for (int x = run.x0; x < run.x1; ++x) {
        const uint8_t is_alike = alike.row(run.y)[x];
        ++all, deep += k[x / grid.factor] > kDeepKey;
        like += is_alike, tinted += is_alike | (t[x / grid.factor] > kTintOfScreen);
      }
    }
    const bool small = static_cast<double>(all) <= kLargestMark * scale * scale;
    if (kDeepOneIn * deep > all) continue;
    if (2 * like < all && !(small && 2 * tinted >= all)) continue;
    for (const PartRun& run : part) std::fill(islands.row(run.y) + run.x0, islands.row(run.y) + run.x1, 1);
  }
  return islands;
}

class UnmixOp final : public TypedOp<Unmix> {
 public:
  Rect Reads(const OpContext&, const Unmix&, const Rect& out, const Input&) const override { return out; }

  absl::Status Make(const OpContext& context, const Unmix& p, const Inputs& in, Picture* out) const override {
    const Rect& rect = out->rect();
    if (rect.empty()) return absl::OkStatus();
    const Input* plate = in.Find("clean_plate");
    if (!plate) return absl::InternalError("plate is not connected");
    ASSIGN_OR_RETURN(ScreenView view, ViewScreen(in.main().picture, plate->picture, rect, kSureDistance));
    SetWhereOne(in.Find("bare"), rect, true, &view.sure);

    const Grid grid = CoreGrid(rect);
    const AxisKeys keys = KeyAlongAxis(view);
    const bool fill = !p.has_fill() || p.fill();
    auto core = FindCore(keys, grid, view.sure, {.fill = fill}, context.stopped);
    if (!core) return absl::CancelledError("cancelled: no job needs this");
    const Bitmap soft = WhereAny(in.Find("soft"), rect);
    TakeAway(soft, &*core);
    Bitmap given(rect.width(), rect.height());
    SetWhereOne(in.Find("core"), rect, true, &given);
    for (Bitmap* bits : {&*core, &given}) SetWhereOne(in.Find("bare"), rect, false, bits);
    SetWhereOne(in.Find("solid"), rect, true, &given);
    Bitmap solid = *core;
    AddWhere(given, &solid);
    Bitmap islands = FindIslands(view.alike, keys.tint, keys.key, grid, solid, view.sure);
    TakeAway(soft, &islands);
    AddWhere(islands, &view.sure);

    const BandRules rules{.fill = fill, .variance = p.confidence(), .soft = &soft, .islands = &islands};
    auto unmixed = SolveBand(view, keys, *core, given, rules, context.stopped);
    if (!unmixed) return absl::CancelledError("cancelled: no job needs this");
    if (unmixed->needed && view.sure.Count() == 0) {
      context.warning("no bare screen looks as `clean_plate` does: is it from this shot, and from this frame?");
    } else if (unmixed->needed && !unmixed->learnt) {
      context.warning("almost no solid foreground found, so this is a plain key; add a `core` or `solid` mask");
    }
    out->planes[0] = std::move(unmixed->alpha);
    if (!p.confidence()) return absl::OkStatus();
    for (int y = rect.y0; y < rect.y1; ++y) {
      float* to = out->planes[0].row(y);
      const float* variance = unmixed->variance.row(y);
      for (int x = 0; x < rect.width(); ++x) to[x] = 1.0f / (1.0f + 100.0f * variance[x]);
    }
    return absl::OkStatus();
  }
};
REGISTER_OP("unmix", UnmixOp);

}  // namespace
}  // namespace selvage::worker
