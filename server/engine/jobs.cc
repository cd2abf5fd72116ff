#include "server/engine/jobs.h"

#include <spdlog/spdlog.h>

#include <algorithm>
#include <random>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "server/engine/invalidations.h"
#include "server/engine/known_stacks.h"
#include "server/engine/state_format.h"
#include "server/engine/task_times.h"
#include "server/engine/versions.h"
#include "server/log.h"
#include "server/plan/proxy.h"

namespace selvage {
namespace {

constexpr size_t kMaxRequestId = 64, kMaxOwner = 256;
constexpr uint32_t kDefaultListed = 100;
// A job with fewer tasks for each slot says nothing of how long larger ones take.
constexpr uint64_t kTellingTasks = 16;

bool IsOver(JobState s) { return s == JOB_DONE || s == JOB_FAILED || s == JOB_CANCELLED; }

// Short enough to type. The same request gives the same job, across restarts too.
std::string JobIdOf(const std::string& request_id) {
  if (!request_id.empty()) return Sha256("selvage job\n" + request_id).Hex().substr(0, 10);
  std::random_device random;
  return Sha256(absl::StrCat(random(), random(), random(), random())).Hex().substr(0, 10);
}

absl::Status NoSuchJob(const std::string& id) {
  return absl::NotFoundError(absl::StrCat("there is no job \"", id, "\"; see `selvage jobs`"));
}

absl::Status CheckSizes(const SubmitRequest& request) {
  if (request.request_id().size() > kMaxRequestId) {
    return absl::InvalidArgumentError(absl::StrCat("request_id has more than ", kMaxRequestId, " bytes"));
  }
  if (request.owner().size() > kMaxOwner) {
    return absl::InvalidArgumentError(absl::StrCat("owner has more than ", kMaxOwner, " bytes"));
  }
  return Versions::Check(request);
}

// Time alone is news once a second.
bool IsNews(const JobProgress& shown, const JobProgress& now) {
  if (shown.sequence() == 0) return true;
  JobProgress compare = shown;
  if (now.seconds() - shown.seconds() < 1) {
    compare.set_seconds(now.seconds());
    compare.set_seconds_left(now.seconds_left());
    compare.set_render_seconds(now.render_seconds());
  }
  return now.SerializeAsString() != compare.SerializeAsString();
}

}  // namespace

absl::Status Jobs::Load(std::map<std::string, uint64_t>* order) {
  ResultIndex& index = *with_.tools->cache.index;
  ASSIGN_OR_RETURN(const auto values, index.ListValues(state::kJobPrefix));
  for (const auto& [name, value] : values) {
    const std::string id = state::After(state::kJobPrefix, name);
    JobProgress progress;
    if (!progress.ParseFromString(value)) continue;
    std::shared_ptr<Stack> stack;
    if (!IsOver(progress.state())) {
      ASSIGN_OR_RETURN(const auto text, index.FindValue(state::JobStackName(id)));
      stack = std::make_shared<Stack>();
      if (!text || !stack->ParseFromString(*text)) {
        return absl::DataLossError(absl::StrCat("the stack of job ", id, " cannot be read"));
      }
    }
    const auto submitted = order->find(id);
    Add(id, progress, std::move(stack), submitted == order->end() ? 0 : submitted->second);
    if (jobs_[id].live) unfinished_.push_back(id);
    if (submitted != order->end()) order->erase(submitted);
  }
  with_.farm->Expect(static_cast<int>(unfinished_.size()));
  return absl::OkStatus();
}

void Jobs::Resume() {
  const double not_before = with_.tools->Now() + with_.tools->options.adoption_seconds;
  for (const std::string& id : unfinished_) jobs_[id].live->Start(nullptr, not_before);
  if (!unfinished_.empty()) spdlog::info("{} unfinished jobs go on", unfinished_.size());
  unfinished_.clear();
}

// --- Submitting: checked, written down, begun.

void Jobs::Submit(const SubmitRequest& request, const Asker& asker, GivenUp gone, Then<SubmitReply> then) {
  if (with_.tools->stopping) return then(absl::UnavailableError("the daemon is going down"));
  if (absl::Status bad = CheckSizes(request); !bad.ok()) return then(bad);
  const std::string id = JobIdOf(request.request_id());
  if (jobs_.count(id)) {
    SubmitReply reply;
    reply.set_job_id(id);
    reply.set_version(jobs_[id].progress.version());
    return then(std::move(reply));
  }
  if (!submitting_.count(id)) {
    if (absl::Status s = CheckCount(asker); !s.ok()) return then(s);
  }
  Submission& submission = submitting_[id];
  submission.waiting.emplace_back(std::move(then), std::move(gone));
  if (submission.waiting.size() > 1) return;
  submission.stack = std::make_shared<Stack>(request.stack());
  submission.owner = asker.name.empty() ? request.owner() : asker.name;
  submission.request = request;
  submission.request.clear_stack();
  Check(id);
}

// Those that are being checked count: they may all become jobs.
absl::Status Jobs::CheckCount(const Asker& asker) const {
  if (asker.most_jobs == 0) return absl::OkStatus();
  const auto live = std::count_if(jobs_.begin(), jobs_.end(), [&](const auto& job) {
    return job.second.live != nullptr && job.second.progress.owner() == asker.name;
  });
  const auto checked = std::count_if(submitting_.begin(), submitting_.end(),
                                     [&](const auto& s) { return s.second.owner == asker.name; });
  if (static_cast<size_t>(live + checked) < asker.most_jobs) return absl::OkStatus();
  return absl::ResourceExhaustedError(
      absl::StrCat(asker.name, " has ", asker.most_jobs, " unfinished jobs already; cancel some or let them end"));
}

absl::Status Jobs::CheckChange(const std::string& stack, const Asker& asker) const {
  if (!asker.own_only) return absl::OkStatus();
  if (stack.empty()) return absl::PermissionDeniedError("only administrators may do this to the work of a worker");
  const Record* newest = nullptr;
  for (const auto& [id, record] : jobs_) {
    if (record.progress.stack_name() == stack && (newest == nullptr || record.order > newest->order)) newest = &record;
  }
  const std::string owner = newest != nullptr ? newest->progress.owner() : "";
  if (newest != nullptr && owner == asker.name) return absl::OkStatus();
  const std::string whose =
      newest == nullptr ? "no job of it is known any more" : absl::StrCat("it was submitted last by ", owner);
  return absl::PermissionDeniedError(absl::StrCat("the stack \"", stack, "\" is not ", asker.name, "'s: ", whose,
                                                  ". To take it over, submit it; administrators may do this to any"));
}

void Jobs::Check(const std::string& id) {
  const Submission& submission = submitting_[id];
  requests_->Check(submission.stack, submission.waiting.front().second,
                   [this, id](const auto& checked) { OnChecked(id, checked); });
}

void Jobs::OnChecked(const std::string& id, const absl::StatusOr<std::shared_ptr<const Round>>& checked) {
  Submission& submission = submitting_[id];
  if (absl::IsCancelled(checked.status()) && submission.waiting.size() > 1 && !with_.tools->stopping) {
    // Only the first went away.
    submission.waiting.front().first(checked.status());
    submission.waiting.erase(submission.waiting.begin());
    return Check(id);
  }
  if (!checked.ok()) return Answer(id, checked.status());
  if ((*checked)->errors.empty()) return Accept(id, submission, *checked);
  SubmitReply refusal;
  refusal.mutable_error()->Add((*checked)->errors.begin(), (*checked)->errors.end());
  Answer(id, refusal);
}

void Jobs::Accept(const std::string& id, const Submission& submission, const std::shared_ptr<const Round>& round) {
  JobProgress progress;
  progress.set_job_id(id);
  progress.set_owner(submission.owner);
  progress.set_note(submission.request.note());
  progress.set_stack_name(round->stack->name());
  const uint32_t proxy = plan::ProxyOf(*round->stack);
  if (proxy > 1) progress.set_proxy(proxy);
  progress.set_state(JOB_INSPECTING);
  progress.set_submitted_unix_ms(with_.tools->UnixNow());
  IndexBatch batch;
  StackVersion version;
  version.set_job_id(id);
  version.set_owner(submission.owner);
  version.set_note(submission.request.note());
  version.set_submitted_unix_ms(progress.submitted_unix_ms());
  *version.mutable_set() = submission.request.set();
  version.set_proxy(progress.proxy());
  progress.set_version(with_.versions->Add(std::move(version), *round->stack, submission.request.text(), &batch));
  batch.journal.push_back({JournalType::kJobSubmitted, id});
  batch.values.emplace_back(state::JobName(id), progress.SerializeAsString());
  batch.values.emplace_back(state::JobStackName(id), round->stack->SerializeAsString());
  with_.stacks->Use(round->stack->name(), &batch);
  with_.stacks->Use(plan::HistoryName(round->stack->name(), proxy), &batch);
  with_.commits->Add(std::move(batch), [this, id, round, progress](const absl::StatusOr<uint64_t>& done) {
    if (!done.ok()) return Answer(id, done.status());
    Add(id, progress, round->stack, next_order_);
    LogEvent(spdlog::level::info, "a job was submitted")
        .With("job", id)
        .With("stack", progress.stack_name())
        .With("version", progress.version())
        .With("identity", progress.owner())
        .Write();
    SubmitReply reply;
    reply.set_job_id(id);
    reply.set_version(progress.version());
    Answer(id, reply);
    if (!with_.tools->stopping) jobs_[id].live->Start(round);
  });
}

void Jobs::Answer(const std::string& id, const absl::StatusOr<SubmitReply>& reply) {
  const Submission submission = std::exchange(submitting_[id], {});
  submitting_.erase(id);
  for (const auto& [then, gone] : submission.waiting) then(reply);
}

// Without a stack it is over.
void Jobs::Add(const std::string& id, const JobProgress& progress, std::shared_ptr<const Stack> stack, uint64_t order) {
  Record& record = jobs_[id];
  record.progress = progress;
  record.order = order;
  next_order_ = std::max(next_order_, order + 1);
  if (stack == nullptr) return;
  record.live = requests_->Submit(std::move(stack), [this, id](const Ending& ending) { OnEnd(id, ending); });
  record.live->SetIdentity(progress);
  with_.times->Begin(id, with_.tools->Now());
}

// --- Ending: written down, then shown.

void Jobs::OnEnd(const std::string& id, const Ending& ending) {
  const auto job = jobs_.find(id);
  if (job == jobs_.end()) return;
  job->second.progress = ending.progress;
  Count(ending.progress);
  Persist(id, ending.planned, [this, id](const absl::Status&) {
    if (const auto ended = jobs_.find(id); ended != jobs_.end()) {
      requests_->Ended(std::exchange(ended->second.live, nullptr));
    }
    ForgetOld();
    with_.stacks->Collect(requests_->LiveStacks());
    ShowProgress();
  });
}

void Jobs::Count(const JobProgress& ended) {
  uint64_t rendered = 0, reused = 0, failed = 0;
  for (const PassProgress& p : ended.pass()) {
    if (p.pass().starts_with("plate ")) continue;
    rendered += p.rendered(), reused += p.reused(), failed += p.failed();
  }
  const bool bad = ended.state() == JOB_FAILED;
  LogEvent(bad ? spdlog::level::err : spdlog::level::info, bad                         ? "a job failed"
                                                           : ended.state() == JOB_DONE ? "a job is done"
                                                                                       : "a job was cancelled")
      .With("job", ended.job_id())
      .With("stack", ended.stack_name())
      .With("identity", ended.owner())
      .With("seconds", ended.seconds())
      .With("rendered", rendered)
      .With("reused", reused)
      .With("failed", failed)
      .Write();
  Durations& of = ended.state() == JOB_DONE     ? ended_.done
                  : ended.state() == JOB_FAILED ? ended_.failed
                                                : ended_.cancelled;
  of.Add(ended.seconds());
}

void Jobs::Cancel(const std::string& id, const Asker& asker, Then<CancelReply> then) {
  const auto job = jobs_.find(id);
  if (job == jobs_.end()) return then(NoSuchJob(id));
  if (asker.own_only && job->second.progress.owner() != asker.name) {
    return then(absl::PermissionDeniedError(absl::StrCat("job ", id, " is not ", asker.name, "'s but ",
                                                         job->second.progress.owner(),
                                                         "'s; only they and administrators may cancel it")));
  }
  const std::shared_ptr<Request> live = job->second.live;
  CancelReply reply;
  if (!live || live->over()) {
    reply.set_state(job->second.progress.state());
    return then(std::move(reply));
  }
  // Stops at once; acknowledged when it is written down. Should that fail, the job
  // comes back with the next start of the daemon, so say so.
  JobProgress& progress = job->second.progress;
  progress = live->Progress();
  progress.set_state(JOB_CANCELLED);
  progress.set_seconds_left(0);
  progress.set_ended_unix_ms(with_.tools->UnixNow());
  Count(progress);
  live->Leave();
  with_.farm->RunEffects();
  Persist(id, live->planned(), [this, id, then = std::move(then)](const absl::Status& done) {
    if (const auto ended = jobs_.find(id); ended != jobs_.end()) {
      requests_->Ended(std::exchange(ended->second.live, nullptr));
    }
    ShowProgress();
    if (!done.ok()) return then(done);
    CancelReply reply;
    reply.set_state(JOB_CANCELLED);
    then(std::move(reply));
  });
}

void Jobs::Persist(const std::string& id, const std::shared_ptr<const Planned>& planned,
                   std::function<void(absl::Status)> then) {
  const JobProgress& progress = jobs_[id].progress;
  const bool cancelled = progress.state() == JOB_CANCELLED;
  IndexBatch batch;
  batch.journal.push_back({cancelled ? JournalType::kJobCancelled : JournalType::kJobFinished, id});
  batch.values.emplace_back(state::JobName(id), progress.SerializeAsString());
  with_.stacks->AddSavings(progress, &batch);
  with_.versions->End(progress, &batch);
  Learn(progress, &batch);
  if (planned) {
    batch.values.emplace_back(state::JobTargetsName(id),
                              state::JobTargetsValue({planned->epoch, planned->plan->targets}));
  }
  with_.commits->Add(std::move(batch),
                     [then = std::move(then)](const absl::StatusOr<uint64_t>& done) { then(done.status()); });
}

// What its tasks took is kept from one start to the next, and how much longer than these
// the whole of it was, if nothing else was rendered meanwhile.
void Jobs::Learn(const JobProgress& progress, IndexBatch* batch) {
  double work = 0;
  uint64_t slots = 0, rendered = 0;
  for (const PassProgress& p : progress.pass()) {
    if (p.pass().starts_with("plate ")) continue;
    work += p.mean_seconds() * static_cast<double>(p.rendered());
    rendered += p.rendered();
  }
  if (rendered == 0) return;
  for (const auto& [host, count] : with_.farm->Slots()) slots += count;
  const bool alone = live_jobs() <= 1;
  if (progress.state() == JOB_DONE && alone && slots > 0 && rendered >= kTellingTasks * slots) {
    with_.tools->measured.AddOverhead(progress.render_seconds() * static_cast<double>(slots) / work);
  }
  batch->values.emplace_back(state::kMeasuredName, with_.tools->measured.Row().SerializeAsString());
}

void Jobs::ForgetOld() {
  std::vector<std::pair<uint64_t, std::string>> finished;
  for (const auto& [id, record] : jobs_) {
    if (!record.live) finished.push_back({record.order, id});
  }
  const size_t remembered = with_.tools->options.finished_jobs;
  if (finished.size() <= remembered) return;
  std::sort(finished.begin(), finished.end());
  finished.resize(finished.size() - remembered);
  IndexBatch batch;
  for (const auto& [order, id] : finished) {
    for (const std::string& name : {state::JobName(id), state::JobStackName(id), state::JobTargetsName(id)}) {
      batch.values.emplace_back(name, "");
    }
    jobs_.erase(id);
  }
  with_.commits->AddSometime(std::move(batch));
}

// --- Looking at jobs.

const Jobs::Record* Jobs::Find(const std::string& id) const {
  const auto job = jobs_.find(id);
  return job == jobs_.end() ? nullptr : &job->second;
}

absl::Status Jobs::CheckKnown(const std::string& id) const {
  return Find(id) == nullptr ? NoSuchJob(id) : absl::OkStatus();
}

uint64_t Jobs::live_jobs() const {
  return static_cast<uint64_t>(
      std::count_if(jobs_.begin(), jobs_.end(), [](const auto& job) { return job.second.live != nullptr; }));
}

ListJobsReply Jobs::List(const ListJobsRequest& request) const {
  std::vector<std::pair<uint64_t, const Record*>> newest;
  for (const auto& [id, record] : jobs_) {
    if (request.owner().empty() || record.progress.owner() == request.owner()) {
      newest.push_back({record.order, &record});
    }
  }
  std::sort(newest.rbegin(), newest.rend());
  const uint32_t limit = request.limit() == 0 ? kDefaultListed : request.limit();
  if (newest.size() > limit) newest.resize(limit);
  ListJobsReply reply;
  for (const auto& [order, record] : newest) {
    JobProgress p = record->live && !record->live->over() ? record->live->Progress() : record->progress;
    p.clear_pass();
    *reply.add_job() = std::move(p);
  }
  return reply;
}

void Jobs::Get(const std::string& id, Then<GetJobReply> then) const {
  const Record* job = Find(id);
  if (job == nullptr) return then(NoSuchJob(id));
  GetJobReply reply;
  *reply.mutable_progress() = job->live && !job->live->over() ? job->live->Progress() : job->progress;
  if (job->live) {
    *reply.mutable_stack() = *job->live->stack();
    return then(std::move(reply));
  }
  with_.tools->pool->Post([tools = with_.tools, id, then = std::move(then), reply]() mutable {
    const auto text = tools->cache.index->FindValue(state::JobStackName(id));
    if (!text.ok()) return then(text.status());
    if (!*text || !reply.mutable_stack()->ParseFromString(**text)) return then(NoSuchJob(id));
    then(std::move(reply));
  });
}

// --- Watching.

void Jobs::Watch(const std::string& id, Show show, Then<uint64_t> then) {
  if (with_.tools->stopping) return then(absl::UnavailableError("the daemon is going down"));
  if (!jobs_.count(id)) return then(NoSuchJob(id));
  const uint64_t number = next_watcher_++;
  watchers_[number] = Watcher{id, std::move(show)};
  then(number);
  ShowProgress();
}

// What is over, but not yet written down, is not told: what is said must be durable.
const JobProgress* Jobs::Newest(Record* record) {
  JobProgress& shown = record->progress;
  if (!record->live) return &shown;
  if (record->live->over()) return nullptr;
  JobProgress now = record->live->Progress();
  now.set_sequence(shown.sequence());
  if (IsNews(shown, now)) {
    now.set_sequence(shown.sequence() + 1);
    shown = std::move(now);
  }
  return &shown;
}

// Called ten times a second and at the end of a job.
void Jobs::ShowProgress() {
  std::map<std::string, const JobProgress*> newest;
  const auto watchers = watchers_;
  for (const auto& [number, watcher] : watchers) {
    const auto job = jobs_.find(watcher.job_id);
    if (job == jobs_.end()) {
      watchers_.erase(number);
      continue;
    }
    auto [known, is_new] = newest.try_emplace(watcher.job_id, nullptr);
    if (is_new) known->second = Newest(&job->second);
    if (known->second == nullptr) continue;
    const bool last = job->second.live == nullptr;
    JobProgress& p = job->second.progress;
    if (last && p.sequence() <= watcher.shown) p.set_sequence(watcher.shown + 1);
    if (p.sequence() > watcher.shown) {
      watchers_[number].shown = p.sequence();
      watcher.show(p, last);
    }
    if (last) watchers_.erase(number);
  }
}

}  // namespace selvage
