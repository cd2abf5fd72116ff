#include "cache/verify.h"

#include <chrono>

#include "cache/manifest.h"
#include "proto/status.h"

namespace selvage {
namespace {

// A few megabytes in memory at a time.
constexpr size_t kTilesAtOnce = 64;
constexpr size_t kResultsAtOnce = 64;

class Walk {
 public:
  Walk(TileStore& tiles, ResultIndex& index, Committer& committer,
       const std::function<bool(const VerifyProgress&)>& show)
      : tiles_(tiles), index_(index), committer_(committer), show_(show) {}

  absl::StatusOr<VerifyProgress> Run() {
    RETURN_IF_ERROR(CheckTiles());
    RETURN_IF_ERROR(CheckResults());
    progress_.set_done(true);
    RETURN_IF_ERROR(Show());
    return progress_;
  }

 private:
  absl::Status CheckTiles() {
    std::vector<Digest> held;
    RETURN_IF_ERROR(tiles_.Scan([&](const Digest& d, uint64_t) { held.push_back(d); }));
    progress_.set_tiles(held.size());
    for (size_t at = 0; at < held.size(); at += kTilesAtOnce) {
      const auto some = std::span(held).subspan(at, std::min(kTilesAtOnce, held.size() - at));
      // Those that were evicted since the scan are not there either; they don't count.
      ASSIGN_OR_RETURN(const std::vector<Digest> gone, tiles_.FindMissing(some));
      ASSIGN_OR_RETURN(const auto found, tiles_.Get(some));
      uint64_t lacking = 0;
      for (const auto& tile : found) lacking += !tile;
      progress_.set_damaged(progress_.damaged() + lacking - std::min<uint64_t>(lacking, gone.size()));
      progress_.set_tiles_checked(progress_.tiles_checked() + some.size());
      RETURN_IF_ERROR(ShowSometimes());
    }
    return absl::OkStatus();
  }

  absl::Status CheckResults() {
    absl::Status status = absl::OkStatus();
    std::vector<ResultKey> lost;
    RETURN_IF_ERROR(index_.ScanResults([&](const ResultKey& key, const ResultRecord& record) {
      if (!status.ok()) return;
      const auto missing = tiles_.FindMissing(StoredTilesOf(record));
      if (!missing.ok()) {
        status = missing.status();
        return;
      }
      progress_.set_results_checked(progress_.results_checked() + 1);
      if (!missing->empty()) lost.push_back(key);
      if (lost.size() >= kResultsAtOnce) status = Forget(&lost);
      if (status.ok()) status = ShowSometimes();
    }));
    RETURN_IF_ERROR(status);
    return Forget(&lost);
  }

  absl::Status Forget(std::vector<ResultKey>* lost) {
    if (lost->empty()) return absl::OkStatus();
    IndexBatch batch;
    for (const ResultKey& key : *lost) batch.ForgetDamaged(key);
    lost->clear();
    progress_.set_results_lost(progress_.results_lost() + batch.forget.size());
    return committer_.Commit(std::move(batch)).status();
  }

  absl::Status ShowSometimes() { return std::chrono::steady_clock::now() < next_show_ ? absl::OkStatus() : Show(); }
  absl::Status Show() {
    const auto now = std::chrono::steady_clock::now();
    next_show_ = now + std::chrono::seconds(1);
    progress_.set_seconds(std::chrono::duration<double>(now - began_).count());
    return show_(progress_) ? absl::OkStatus()
                            : absl::CancelledError("cancelled: nobody is waiting for this check any more");
  }

  TileStore& tiles_;
  ResultIndex& index_;
  Committer& committer_;
  const std::function<bool(const VerifyProgress&)>& show_;
  const std::chrono::steady_clock::time_point began_ = std::chrono::steady_clock::now();
  std::chrono::steady_clock::time_point next_show_{};
  VerifyProgress progress_;
};

}  // namespace

absl::StatusOr<VerifyProgress> VerifyCache(TileStore& tiles, ResultIndex& index, Committer& committer,
                                           const std::function<bool(const VerifyProgress&)>& show) {
  return Walk(tiles, index, committer, show).Run();
}

}  // namespace selvage
