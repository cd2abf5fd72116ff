// Results: where they are, what is no longer good, what the cache holds.
#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/verify.h"
#include "proto/status.h"
#include "server/engine.h"

namespace selvage {

namespace {

constexpr size_t kFetchMaps = 8;
constexpr size_t kFindAtOnce = 256;

absl::Status NotRendered(const FetchRequest& r) {
  return absl::FailedPreconditionError(
      absl::StrCat("frame ", r.frame(), " of \"", r.deliverable(), "\" is not rendered yet"));
}

absl::Status Gone(const FetchRequest& r) {
  return absl::FailedPreconditionError(
      absl::StrCat("frame ", r.frame(), " of \"", r.deliverable(),
                   "\" is no longer in the cache (evicted, or found damaged); submit the stack again to render it"));
}

// Adds the results that the request's worker made.
absl::Status FindWorkOf(const InvalidateRequest& request, ResultIndex& index, std::set<ResultKey>* keys) {
  ASSIGN_OR_RETURN(const std::vector<ResultKey> made, index.FindMadeBy(request.worker(), request.since_unix_ms()));
  for (size_t at = 0; at < made.size(); at += kFindAtOnce) {
    const auto some = std::span(made).subspan(at, std::min(kFindAtOnce, made.size() - at));
    ASSIGN_OR_RETURN(const auto records, index.Find(some));
    for (size_t i = 0; i < some.size(); ++i) {
      // It may have been made anew by another.
      if (!records[i]) continue;
      for (const Maker& m : MakersOf(*records[i])) {
        if (IsWorkerOf(m.worker(), request.worker()) && m.made_unix_ms() >= request.since_unix_ms())
          keys->insert(some[i]);
      }
    }
  }
  return absl::OkStatus();
}

absl::Status NoDeliverable(const FetchRequest& r) {
  return absl::NotFoundError(
      absl::StrCat("the job has no frame ", r.frame(), " of a deliverable \"", r.deliverable(), "\""));
}

}  // namespace

void Engine::Locate(const FetchRequest& request, Then<BlobRef> then) {
  // Looks the record up; `key` is known.
  const auto find = [this, request](const ResultKey& key, bool was_there, const Then<BlobRef>& done) {
    pool_->Post([this, request, key, was_there, done] {
      auto found = cache_.index->Find({&key, 1});
      if (!found.ok()) return done(found.status());
      if (!found->front()) return done(was_there ? Gone(request) : NotRendered(request));
      cache_.evictor->NoteUse({&key, 1});
      done(BlobRef{key, std::move(found->front()->manifest)});
    });
  };
  pool_->PostSerial([this, request, then = std::move(then), find] {
    auto job = jobs_.find(request.job_id());
    if (job == jobs_.end())
      return then(absl::NotFoundError(absl::StrCat("there is no job \"", request.job_id(), "\"")));
    const auto place = std::make_pair(request.deliverable(), request.frame());
    if (const auto& e = job->second.live; e && !e->over) {
      if (!e->plan || e->replanning) return then(NotRendered(request));
      for (size_t i = 0; i < e->targets.size() && i < e->plan->targets.size(); ++i) {
        if (e->targets[i].deliverable == place.first && e->targets[i].frame == place.second) {
          return find(e->plan->targets[i], false, then);
        }
      }
      return then(NoDeliverable(request));
    }
    const bool was_there = job->second.progress.state() == JOB_DONE;
    const auto use = [this, request, place, then, find, was_there](const FetchMap& map, const std::string& stack_name) {
      // Promise 4: nothing from before an invalidation, even of an old job.
      if (epochs_.Newest(stack_name) > map.epoch) {
        return then(absl::FailedPreconditionError(
            absl::StrCat("\"", stack_name, "\" was invalidated after this job was rendered; submit it again")));
      }
      auto key = map.keys.find(place);
      if (key == map.keys.end()) return then(NoDeliverable(request));
      find(key->second, was_there, then);
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
      const std::vector<plan::Target> targets = plan::DeliverableTargets(stack);
      for (size_t i = 0; i < targets.size() && 8 + 32 * (i + 1) <= text.size(); ++i) {
        map.keys[{targets[i].deliverable, targets[i].frame}] = {
            *Digest::FromBytes(std::string_view(text).substr(8 + 32 * i, 32))};
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
  batch.ForgetDamaged(key);
  Commit(std::move(batch), [this, key](const absl::StatusOr<uint64_t>&) {
    scheduler_.ResultLost(key, Now());
    RunEffects();
  });
}

void Engine::Invalidate(const InvalidateRequest& request, Then<InvalidateReply> then) {
  if (request.has_frames() && request.frames().last() < request.frames().first()) {
    return then(absl::InvalidArgumentError(absl::StrCat("frames ", request.frames().first(), "-",
                                                        request.frames().last(), ": the last is before the first")));
  }
  if (!request.worker().empty() && (!request.stack_name().empty() || !request.pass().empty() || request.has_frames())) {
    return then(
        absl::InvalidArgumentError("what a worker made is invalidated in all stacks: name no stack, pass or frames"));
  }
  InvalidateRequest what = request;
  what.clear_disowned();
  what.set_at_unix_ms(UnixMilliseconds());
  if (what.worker().empty()) return InvalidatePasses(what, std::move(then));
  InvalidateWorker(what, std::move(then));
}

void Engine::InvalidatePasses(const InvalidateRequest& request, Then<InvalidateReply> then) {
  pool_->PostSerial([this, request, then = std::move(then)] {
    bool live = false;
    for (const auto& e : errands_) live |= e->stack->name() == request.stack_name();
    pool_->Post([this, request, then, live] {
      auto names = cache_.index->FindNames(request.stack_name(), request.pass());
      if (!names.ok()) return then(names.status());
      if (names->empty() && !live) {
        return then(absl::NotFoundError(
            request.pass().empty() ? absl::StrCat("nothing of a stack \"", request.stack_name(), "\" was rendered")
                                   : absl::StrCat("nothing of a pass \"", request.pass(), "\" in a stack \"",
                                                  request.stack_name(), "\" was rendered")));
      }
      // The number that comes back is this entry's own: it enters the keys now
      // and after a restart.
      IndexBatch batch;
      batch.journal.push_back({JournalType::kInvalidated, request.SerializeAsString()});
      Commit(std::move(batch), [this, request, then](const absl::StatusOr<uint64_t>& sequence) {
        if (!sequence.ok()) return then(sequence.status());
        Heed(request, *sequence);
        InvalidateReply reply;
        reply.set_epoch(*sequence);
        then(std::move(reply));
      });
    });
  });
}

// From the first look on, nothing that the worker made, hands in or is known by
// another name is taken, so the list of its results is complete.
void Engine::InvalidateWorker(const InvalidateRequest& request, Then<InvalidateReply> then) {
  pool_->PostSerial([this, request, then = std::move(then)] {
    const std::string& worker = request.worker();
    ++disowning_[worker];
    std::set<ResultKey> keys;
    for (const auto& [id, info] : workers_) {
      if (!IsWorkerOf(WorkerName(id), worker)) continue;
      for (const ResultKey& key : scheduler_.LeasedTo(id)) keys.insert(key);
    }
    for (const auto& [key, makers] : committing_) {
      for (const Maker& m : makers) {
        if (IsWorkerOf(m.worker(), worker)) keys.insert(key);
      }
    }
    const auto end = [this, worker, then](const absl::StatusOr<InvalidateReply>& reply) {
      if (--disowning_[worker] == 0) disowning_.erase(worker);
      then(reply);
    };
    pool_->Post([this, request = InvalidateRequest(request), keys = std::move(keys), end]() mutable {
      const absl::Status found = FindWorkOf(request, *cache_.index, &keys);
      if (!found.ok() || keys.empty()) {
        const absl::Status why = found.ok()
                                     ? absl::NotFoundError(absl::StrCat("nothing that a worker \"", request.worker(),
                                                                        "\" made then is in the cache"))
                                     : found;
        return pool_->PostSerial([end, why] { end(why); });
      }
      for (const ResultKey& key : keys) request.mutable_disowned()->append(key.digest.view());
      IndexBatch batch;
      batch.journal.push_back({JournalType::kInvalidated, request.SerializeAsString()});
      Commit(std::move(batch), [this, request, count = keys.size(), end](const absl::StatusOr<uint64_t>& sequence) {
        if (!sequence.ok()) return end(sequence.status());
        Heed(request, *sequence);
        InvalidateReply reply;
        reply.set_epoch(*sequence);
        reply.set_results(count);
        end(std::move(reply));
      });
    });
  });
}

void Engine::Heed(const InvalidateRequest& what, uint64_t sequence) {
  epochs_.Add(what, sequence);
  const auto errands = errands_;
  for (const auto& e : errands) {
    const bool reached = !what.worker().empty() || e->stack->name() == what.stack_name();
    if (reached && e->rendering != 0) Replan(e);
  }
  RunEffects();
}

void Engine::AddSavings(const JobProgress& progress, IndexBatch* batch) {
  Savings& savings = savings_[progress.stack_name()];
  std::map<std::string, Savings::PassLine*> lines;
  for (Savings::PassLine& line : *savings.mutable_pass()) lines[line.pass()] = &line;
  for (const PassProgress& p : progress.pass()) {
    // Reading plates is not rendering.
    if (p.pass().starts_with("plate ")) continue;
    Savings::PassLine*& line = lines[p.pass()];
    if (line == nullptr) {
      line = savings.add_pass();
      line->set_pass(p.pass());
    }
    line->set_rendered(line->rendered() + p.rendered());
    line->set_render_seconds(line->render_seconds() + p.mean_seconds() * static_cast<double>(p.rendered()));
    if (line->rendered() == 0) continue;
    const double mean = line->render_seconds() / static_cast<double>(line->rendered());
    line->set_saved_seconds(line->saved_seconds() + mean * static_cast<double>(p.reused()));
  }
  batch->values.push_back({kSavingsPrefix + progress.stack_name(), savings.SerializeAsString()});
}

void Engine::CacheInfo(const CacheInfoRequest& request, Then<CacheInfoReply> then) {
  pool_->PostSerial([this, request, then = std::move(then)] {
    Savings savings;
    if (auto it = savings_.find(request.stack_name()); it != savings_.end()) savings = it->second;
    pool_->Post([this, request, then, savings, hits = stats_.hits, misses = stats_.misses] {
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
            line.set_render_seconds(line.render_seconds() + record->seconds);
            if (keep_->Of((*names)[i].key) == Keep::kPinned) line.set_keep(Pass::ALWAYS);
          }
        }
        for (const Savings::PassLine& s : savings.pass()) {
          auto it = lines.find(s.pass());
          if (it != lines.end()) it->second.first.set_seconds_saved(s.saved_seconds());
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

void Engine::Release(const std::string& stack_name, Then<ReleaseReply> then) {
  pool_->PostSerial([this, stack_name, then = std::move(then)] {
    for (const auto& e : errands_) {
      if (e->kind == Errand::kJob && e->stack->name() == stack_name) {
        return then(absl::FailedPreconditionError(
            absl::StrCat("a job of \"", stack_name, "\" is at work and would pin it again; wait for it or cancel it")));
      }
    }
    IndexBatch batch;
    ReleaseReply reply;
    reply.set_results(keep_->Release(stack_name, [&](IndexBatch b) { batch = std::move(b); }));
    if (reply.results() == 0) {
      return then(absl::NotFoundError(absl::StrCat("nothing is pinned by a stack \"", stack_name, "\"")));
    }
    Commit(std::move(batch), [reply, then](const absl::StatusOr<uint64_t>& done) {
      then(done.ok() ? absl::StatusOr<ReleaseReply>(reply) : done.status());
    });
  });
}

void Engine::VerifyCache(std::function<bool(const VerifyProgress&)> show, Then<VerifyProgress> then) {
  if (verifying_.exchange(true)) return then(absl::UnavailableError("the cache is being verified already"));
  pool_->Post([this, show = std::move(show), then = std::move(then)] {
    auto result = selvage::VerifyCache(*cache_.tiles, *cache_.index, *cache_.committer,
                                       [&](const VerifyProgress& p) { return !going_down_ && show(p); });
    verifying_ = false;
    then(std::move(result));
  });
}

void Engine::Backup(const BackupRequest& request, Then<BackupReply> then) {
  if (!cache_.backup) return then(absl::UnimplementedError("this cache is in memory"));
  if (backing_up_.exchange(true)) return then(absl::UnavailableError("a backup is being made already"));
  pool_->Post([this, folder = request.folder(), then = std::move(then)] {
    const double began = SteadySeconds();
    const absl::StatusOr<uint64_t> bytes = cache_.backup(folder);
    backing_up_ = false;
    if (!bytes.ok()) return then(bytes.status());
    BackupReply reply;
    reply.set_results(cache_.stats().results);
    reply.set_bytes(*bytes);
    reply.set_seconds(SteadySeconds() - began);
    then(std::move(reply));
  });
}

}  // namespace selvage
