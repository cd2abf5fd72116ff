// Results: where they are, what is no longer good, what the cache holds.
#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"
#include "server/engine.h"

namespace selvage {

namespace {

constexpr size_t kFetchMaps = 8;
constexpr size_t kFindAtOnce = 256;

absl::Status NotRendered(const FetchRequest& r) {
  return absl::FailedPreconditionError(
      absl::StrCat("frame ", r.frame(), " of \"", r.deliverable(), "\" is not rendered yet"));
}

absl::Status NoDeliverable(const FetchRequest& r) {
  return absl::NotFoundError(absl::StrCat("the job has no frame ", r.frame(), " of a deliverable \"", r.deliverable(), "\""));
}

}  // namespace

void Engine::Locate(const FetchRequest& request, Then<BlobRef> then) {
  // Looks the record up; `key` is known.
  const auto find = [this, request](const ResultKey& key, const Then<BlobRef>& done) {
    pool_->Post([this, request, key, done] {
      auto found = cache_.index->Find({&key, 1});
      if (!found.ok()) return done(found.status());
      if (!found->front()) return done(NotRendered(request));
      cache_.evictor->NoteUse({&key, 1});
      done(BlobRef{key, std::move(found->front()->manifest)});
    });
  };
  pool_->PostSerial([this, request, then = std::move(then), find] {
    auto job = jobs_.find(request.job_id());
    if (job == jobs_.end()) return then(absl::NotFoundError(absl::StrCat("there is no job \"", request.job_id(), "\"")));
    const auto place = std::make_pair(request.deliverable(), request.frame());
    if (const auto& e = job->second.live; e && !e->over) {
      if (!e->plan || e->replanning) return then(NotRendered(request));
      for (size_t i = 0; i < e->targets.size() && i < e->plan->targets.size(); ++i) {
        if (e->targets[i].deliverable == place.first && e->targets[i].frame == place.second) {
          return find(e->plan->targets[i], then);
        }
      }
      return then(NoDeliverable(request));
    }
    const auto use = [this, request, place, then, find](const FetchMap& map, const std::string& stack_name) {
      // Promise 4: nothing from before an invalidation, even of an old job.
      if (epochs_.Newest(stack_name) > map.epoch) {
        return then(absl::FailedPreconditionError(
            absl::StrCat("\"", stack_name, "\" was invalidated after this job was rendered; submit it again")));
      }
      auto key = map.keys.find(place);
      if (key == map.keys.end()) return then(NoDeliverable(request));
      find(key->second, then);
    };
    const std::string stack_name = job->second.progress.stack_name();
    for (const FetchMap& map : fetch_maps_) {
      if (map.job_id == request.job_id()) return use(map, stack_name);
    }
    pool_->Post([this, request, then, use, stack_name] {
      auto stack_text = cache_.index->FindValue("job-stack/" + request.job_id());
      auto targets_text = cache_.index->FindValue("job-targets/" + request.job_id());
      if (!stack_text.ok()) return then(stack_text.status());
      if (!targets_text.ok()) return then(targets_text.status());
      Stack stack;
      if (!*targets_text || (*targets_text)->size() < 8 || !*stack_text || !stack.ParseFromString(**stack_text)) {
        return then(NotRendered(request));
      }
      FetchMap map;
      map.job_id = request.job_id();
      const std::string& text = **targets_text;
      for (int i = 0; i < 8; ++i) map.epoch |= uint64_t{static_cast<uint8_t>(text[i])} << (8 * i);
      const std::vector<Target> targets = DeliverableTargets(stack);
      for (size_t i = 0; i < targets.size() && 8 + 32 * (i + 1) <= text.size(); ++i) {
        map.keys[{targets[i].deliverable, targets[i].frame}] = {*Digest::FromBytes(std::string_view(text).substr(8 + 32 * i, 32))};
      }
      pool_->PostSerial([this, use, stack_name, map = std::move(map)]() mutable {
        fetch_maps_.push_front(std::move(map));
        if (fetch_maps_.size() > kFetchMaps) fetch_maps_.pop_back();
        use(fetch_maps_.front(), stack_name);
      });
    });
  });
}

void Engine::ReportLost(const ResultKey& key) {
  IndexBatch batch;
  batch.forget.push_back(key);
  Commit(std::move(batch), [this, key](const absl::StatusOr<uint64_t>&) {
    scheduler_.ResultLost(key, Now());
    RunEffects();
  });
}

void Engine::Invalidate(const InvalidateRequest& request, Then<InvalidateReply> then) {
  if (request.has_frames() && request.frames().last() < request.frames().first()) {
    return then(absl::InvalidArgumentError(
        absl::StrCat("frames ", request.frames().first(), "-", request.frames().last(), ": the last is before the first")));
  }
  pool_->PostSerial([this, request, then = std::move(then)] {
    bool live = false;
    for (const auto& e : errands_) live |= e->stack->name() == request.stack_name();
    pool_->Post([this, request, then, live] {
      auto names = cache_.index->FindNames(request.stack_name(), request.pass());
      if (!names.ok()) return then(names.status());
      if (names->empty() && !live) {
        return then(absl::NotFoundError(request.pass().empty()
                                            ? absl::StrCat("nothing of a stack \"", request.stack_name(), "\" was rendered")
                                            : absl::StrCat("nothing of a pass \"", request.pass(), "\" in a stack \"",
                                                           request.stack_name(), "\" was rendered")));
      }
      // The number that comes back is this entry's own: it enters the keys now
      // and after a restart.
      IndexBatch batch;
      batch.journal.push_back({JournalType::kInvalidated, request.SerializeAsString()});
      Commit(std::move(batch), [this, request, then](const absl::StatusOr<uint64_t>& sequence) {
        if (!sequence.ok()) return then(sequence.status());
        epochs_.Add(request, *sequence);
        const auto errands = errands_;
        for (const auto& e : errands) {
          if (e->stack->name() == request.stack_name() && e->rendering != 0) Replan(e);
        }
        RunEffects();
        InvalidateReply reply;
        reply.set_epoch(*sequence);
        then(std::move(reply));
      });
    });
  });
}

void Engine::CacheInfo(const CacheInfoRequest& request, Then<CacheInfoReply> then) {
  pool_->PostSerial([this, request, then = std::move(then)] {
    pool_->Post([this, request, then, hits = stats_.hits, misses = stats_.misses] {
      const CacheStats totals = cache_.stats();
      CacheInfoReply reply;
      reply.set_results(totals.results);
      reply.set_tiles(totals.tiles);
      reply.set_bytes(totals.bytes);
      reply.set_budget_bytes(totals.budget_bytes);
      reply.set_damaged(totals.damaged);
      reply.set_hits(hits);
      reply.set_misses(misses);
      if (!request.stack_name().empty()) {
        auto names = cache_.index->FindNames(request.stack_name(), "");
        if (!names.ok()) return then(names.status());
        std::map<std::string, std::pair<CacheInfoReply::PassLine, std::set<int32_t>>> lines;
        for (size_t at = 0; at < names->size(); at += kFindAtOnce) {
          std::vector<ResultKey> keys;
          const size_t end = std::min(names->size(), at + kFindAtOnce);
          for (size_t i = at; i < end; ++i) keys.push_back((*names)[i].key);
          auto records = cache_.index->Find(keys);
          if (!records.ok()) return then(records.status());
          for (size_t i = at; i < end; ++i) {
            const auto& record = (*records)[i - at];
            if (!record) continue;
            auto& [line, frames] = lines[(*names)[i].pass];
            frames.insert((*names)[i].frame);
            line.set_bytes(line.bytes() + record->bytes);
            line.set_seconds_saved(line.seconds_saved() + record->seconds);
          }
        }
        for (auto& [pass, entry] : lines) {
          entry.first.set_pass(pass);
          entry.first.set_frames(entry.second.size());
          *reply.add_pass() = std::move(entry.first);
        }
      }
      then(std::move(reply));
    });
  });
}

}  // namespace selvage
