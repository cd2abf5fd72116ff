// A result that is not stored: rendered for the tasks of its bundle that read it, and
// handed on in memory.
//
// It reads like a stored one, to the last bit: tiles are rounded to storage precision
// and described by their digests. A tile is rendered when somebody reads it, once; what
// it shows may be known before, from an earlier result with the same tile key or from
// when the result was rendered before.
#pragma once

#include <functional>
#include <memory>
#include <vector>

#include "proto/farm.pb.h"
#include "worker/chain/chain.h"
#include "worker/run/blame.h"
#include "worker/run/decoded_cache.h"
#include "worker/run/tiled_source.h"

namespace selvage::worker {

class InnerResult final : public TiledSource {
 public:
  // `number`: of the task in its bundle. The chain is light and makes a picture.
  InnerResult(std::unique_ptr<Chain> chain, int number, std::function<bool()> stopped, DecodedCache* memory,
              Blame* blame, const TaskSpans& spans);

  // Finds out what all its tiles are, and what is needed of that is rendered. Fills in
  // manifest, tile keys and counts. To be called before it is read.
  absl::Status Settle(const TaskSpec& task, TaskOutcome* outcome);
  // Instead: what they are was found out before.
  absl::Status Know(const Manifest& known);

  absl::Status Read(const Rect& rect, Picture* out) override;

 private:
  absl::StatusOr<TileContent> ContentOf(size_t number, const TileRef& tile) override;
  // Renders what `wanted` says and nobody has.
  absl::Status Render(std::vector<bool> wanted);
  absl::Status Take(const Picture& picture);
  bool InMemory(int place);

  std::unique_ptr<Chain> chain_;
  const int number_;
  const std::function<bool()> stopped_;
  DecodedCache* const memory_;
  Blame* const blame_;
  const TaskSpans spans_;
  std::vector<TileRef> tiles_;
  // By number; null for constant tiles and those that nobody has read.
  std::vector<TileContent> contents_;
  // By place: is its TileRef known, are its samples here?
  std::vector<bool> known_, here_;
};

}  // namespace selvage::worker
