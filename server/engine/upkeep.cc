#include "server/engine/upkeep.h"

#include <algorithm>
#include <map>
#include <set>
#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/verify.h"
#include "proto/status.h"
#include "server/engine/keep_table.h"
#include "server/engine/known_stacks.h"
#include "server/engine/state_format.h"
#include "server/plan/proxy.h"
#include "server/plan/storing.h"

namespace selvage {
namespace {

constexpr size_t kFindAtOnce = 256;

struct Line {
  CacheInfoReply::PassLine line;
  std::set<int32_t> frames;
};

// Of every size at which the stack was rendered.
absl::StatusOr<std::vector<NameRecord>> NamesOf(const std::string& stack, ResultIndex& index) {
  std::vector<NameRecord> all;
  std::set<ResultKey> known;
  for (const std::string& of_size : plan::HistoryNames(stack)) {
    ASSIGN_OR_RETURN(std::vector<NameRecord> names, index.FindNames(of_size, ""));
    for (NameRecord& n : names) {
      known.insert(n.key);
      all.push_back(std::move(n));
    }
    ASSIGN_OR_RETURN(const auto looked, index.ListValues(state::LookedPrefix(of_size)));
    for (const auto& [name, value] : looked) {
      auto place = state::ParseLooked(name, value);
      if (place && known.insert(place->key).second) all.push_back(*std::move(place));
    }
  }
  return all;
}

absl::StatusOr<std::map<std::string, Line>> LinesOf(const std::string& stack, const KeepTable& keeps,
                                                    ResultIndex& index) {
  std::map<std::string, Line> lines;
  ASSIGN_OR_RETURN(const std::vector<NameRecord> names, NamesOf(stack, index));
  for (size_t at = 0; at < names.size(); at += kFindAtOnce) {
    std::vector<ResultKey> keys;
    const size_t end = std::min(names.size(), at + kFindAtOnce);
    for (size_t i = at; i < end; ++i) keys.push_back(names[i].key);
    ASSIGN_OR_RETURN(const auto records, index.Find(keys));
    for (size_t i = at; i < end; ++i) {
      const auto& record = records[i - at];
      if (!record) continue;
      auto& [line, frames] = lines[names[i].pass];
      frames.insert(names[i].frame);
      line.set_bytes(line.bytes() + record->bytes);
      line.set_render_seconds(line.render_seconds() + record->seconds);
      plan::CountStoring(record->storing, line.mutable_storing());
      if (keeps.Of(names[i].key) == Keep::kPinned) line.set_keep(Pass::ALWAYS);
    }
  }
  return lines;
}

absl::StatusOr<CacheInfoReply> InfoOf(const std::string& stack, const Savings& savings, const KeepTable& keeps,
                                      const Cache& cache) {
  const CacheStats totals = cache.stats();
  CacheInfoReply reply;
  reply.set_results(totals.results);
  reply.set_tiles(totals.tiles);
  reply.set_bytes(totals.bytes);
  reply.set_budget_bytes(totals.budget_bytes);
  reply.set_damaged(totals.damaged);
  if (stack.empty()) return reply;
  ASSIGN_OR_RETURN(auto lines, LinesOf(stack, keeps, *cache.index));
  for (const Savings::PassLine& s : savings.pass()) {
    if (const auto it = lines.find(s.pass()); it != lines.end()) it->second.line.set_seconds_saved(s.saved_seconds());
  }
  for (auto& [pass, entry] : lines) {
    entry.line.set_pass(pass);
    entry.line.set_frames(entry.frames.size());
    *reply.add_pass() = std::move(entry.line);
  }
  return reply;
}

}  // namespace

void Upkeep::Info(const CacheInfoRequest& request, Then<CacheInfoReply> then) {
  const std::string& stack = request.stack_name();
  with_.tools->pool->Post([with = with_, stack, savings = with_.stacks->SavingsOf(stack), counts = with_.farm->counts(),
                           then = std::move(then)] {
    auto reply = InfoOf(stack, savings, *with.keeps, with.tools->cache);
    if (reply.ok()) {
      reply->set_hits(counts.hits);
      reply->set_misses(counts.misses);
    }
    then(std::move(reply));
  });
}

void Upkeep::Release(const std::string& stack_name, Then<ReleaseReply> then) {
  if (requests_->HasJobOf(stack_name)) {
    return then(absl::FailedPreconditionError(
        absl::StrCat("a job of \"", stack_name, "\" is running and would keep it again; wait for it or cancel it")));
  }
  IndexBatch batch;
  ReleaseReply reply;
  for (const std::string& of_size : plan::HistoryNames(stack_name)) {
    reply.set_results(reply.results() + with_.keeps->Release(of_size, [&](IndexBatch b) {
      batch.values.insert(batch.values.end(), b.values.begin(), b.values.end());
    }));
  }
  if (reply.results() == 0) {
    return then(absl::NotFoundError(absl::StrCat("nothing is kept by a stack \"", stack_name, "\"")));
  }
  with_.commits->Add(std::move(batch), [reply, then = std::move(then)](const absl::StatusOr<uint64_t>& done) {
    then(done.ok() ? absl::StatusOr<ReleaseReply>(reply) : done.status());
  });
}

void Upkeep::Verify(std::function<bool(const VerifyProgress&)> show, Then<VerifyProgress> then) {
  if (verifying_.exchange(true)) return then(absl::UnavailableError("the cache is being verified already"));
  with_.tools->pool->Post([this, show = std::move(show), then = std::move(then)] {
    const Tools& tools = *with_.tools;
    auto result = VerifyCache(*tools.cache.tiles, *tools.cache.index, *tools.cache.committer,
                              [&](const VerifyProgress& p) { return !tools.stopping && show(p); });
    verifying_ = false;
    then(std::move(result));
  });
}

void Upkeep::Backup(const std::string& folder, Then<BackupReply> then) {
  if (!with_.tools->cache.backup) return then(absl::UnimplementedError("this cache is in memory"));
  if (backing_up_.exchange(true)) return then(absl::UnavailableError("a backup is being made already"));
  with_.tools->pool->Post([this, folder, then = std::move(then)] {
    const Tools& tools = *with_.tools;
    const double began = tools.Now();
    const absl::StatusOr<uint64_t> bytes = tools.cache.backup(folder);
    backing_up_ = false;
    if (!bytes.ok()) return then(bytes.status());
    BackupReply reply;
    reply.set_results(tools.cache.stats().results);
    reply.set_bytes(*bytes);
    reply.set_seconds(tools.Now() - began);
    then(std::move(reply));
  });
}

}  // namespace selvage
