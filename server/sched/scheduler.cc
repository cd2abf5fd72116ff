#include "server/sched/scheduler.h"

#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"

namespace selvage::sched {

void Scheduler::AddJob(const NewJob& in, Time now) {
  Begin(now);
  // A newcomer starts level with whoever had least, not with a claim on all the
  // time before it came.
  double served = -1;
  for (const auto& [number, other] : jobs_) {
    if (other.open > 0 && other.interactive == in.interactive && (served < 0 || other.served < served)) {
      served = other.served;
    }
  }
  Job& job = jobs_[in.number];
  job.number = in.number;
  job.interactive = in.interactive;
  job.weight = in.weight > 0 ? in.weight : 1;
  job.not_before = in.not_before;
  job.served = std::max(0.0, served);
  job.groups.resize(in.groups);
  job.tasks.resize(in.tasks.size());

  for (uint32_t i = 0; i < in.tasks.size(); ++i) {
    const NewTask& task = in.tasks[i];
    Member& m = job.tasks[i];
    m.order = task.order;
    m.group = task.group;
    ++job.groups[m.group].total;
    if (Task* t = tasks_.Find(task.key)) {
      m.task = tasks_.IndexOf(*t);
      if (task.known == Known::kHit && (t->state == TaskState::kIdle || IsOpen(t->state))) {
        MakeDone(m.task, true, true);
      } else if (task.known == Known::kHit && t->state == TaskState::kDone) {
        t->has_tiles = true;
      }
    } else {
      m.task = tasks_.Add(task.key);
      for (uint32_t input : task.inputs) {
        tasks_[m.task].inputs.push_back(job.tasks[input].task);
        tasks_.AddUser(job.tasks[input].task, m.task);
      }
      if (task.known == Known::kHit) {
        tasks_[m.task].state = TaskState::kDone;
        tasks_[m.task].reused = tasks_[m.task].has_tiles = true;
      }
    }
    tasks_[m.task].waiters.push_back({&job, i});
    Recount(&job, i);
    if (task.stored) WantStored(m.task);
  }
  for (uint32_t i = 0; i < in.tasks.size(); ++i) {
    if (in.tasks[i].known == Known::kRender) Require(job.tasks[i].task, &job, true);
  }
  // What it would come along with may have been rendered since the job was planned.
  for (uint32_t i = static_cast<uint32_t>(in.tasks.size()); i-- > 0;) {
    if (!in.tasks[i].stored) Retire(job.tasks[i].task);
  }
  if (job.open == 0) maybe_finished_.push_back(job.number);
  Settle();
}

// `job` needs the result. `known_missing`: the cache was asked already.
void Scheduler::Require(TaskIndex t, Job* job, bool known_missing) {
  auto& waiters = tasks_[t].waiters;
  auto w = std::find_if(waiters.begin(), waiters.end(), [&](const Waiter& x) { return x.job == job; });
  if (w == waiters.end()) return;
  Member& m = job->tasks[w->local];
  if (!m.needed) {
    m.needed = true;
    Recount(job, w->local);
    const TaskState state = tasks_[t].state;
    if (IsFailed(state)) {
      Effect e = AboutTask(Effect::kProblem, t);
      e.job = job->number;
      e.local = w->local;
      e.message = tasks_[t].problem;
      if (!e.message.empty()) effects_.push_back(std::move(e));
    }
    if (state == TaskState::kReady && tasks_[t].retry_at <= now_) Offer(t, *w);
    // Its tiles may have to be rendered again.
    if (Hollow(t) || Inline(t)) RequireInputs(t);
    // Waits for inputs: this job needs those too.
    if (state == TaskState::kBlocked) Block(t);
  }
  if (tasks_[t].state != TaskState::kIdle) return;
  if (known_missing) {
    Block(t);
  } else {
    Ask(t, false);
  }
}

void Scheduler::Block(TaskIndex t) {
  SetState(t, TaskState::kBlocked);
  RequireInputs(t);
  AskOrWait(t);
}

bool Scheduler::AllInputsDone(const Task& t) const {
  return std::all_of(t.inputs.begin(), t.inputs.end(),
                     [&](TaskIndex i) { return tasks_[i].state == TaskState::kDone; });
}

// REQUIRES: blocked.
void Scheduler::AskOrWait(TaskIndex t) {
  // Requiring its inputs may have come to an answer already.
  if (tasks_[t].state != TaskState::kBlocked) return;
  const Inputs inputs = Gather(t, nullptr);
  if (inputs == Inputs::kFailed) return MakeFailed(t, TaskState::kFailed, "");
  if (inputs == Inputs::kWaits) return;
  // Without inputs its trace key says no more than its result key; what comes along
  // has contents that nobody knows yet.
  if (tasks_[t].inputs.empty() || !AllInputsDone(tasks_[t])) return MakeReady(t);
  Ask(t, true);
}

void Scheduler::Ask(TaskIndex t, bool by_trace) {
  SetState(t, TaskState::kAsked);
  Task& task = tasks_[t];
  ++task.question;
  task.asked_by_trace = by_trace;
  Effect e = AboutTask(Effect::kAsk, t);
  e.by_trace = by_trace;
  e.question = task.question;
  effects_.push_back(std::move(e));
}

void Scheduler::Answer(const ResultKey& key, uint32_t question, bool hit, Time now, bool has_tiles) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || task->state != TaskState::kAsked || task->question != question) return;
  const TaskIndex t = tasks_.IndexOf(*task);
  if (hit) {
    MakeDone(t, true, has_tiles);
  } else if (task->asked_by_trace) {
    MakeReady(t);
  } else {
    Block(t);
  }
  Settle();
}

void Scheduler::MakeReady(TaskIndex t) {
  SetState(t, TaskState::kReady);
  tasks_[t].ready_at = now_;
  if (!tasks_[t].stored) {
    pending_.push_back(tasks_.Ref(t));
    return;
  }
  if (tasks_[t].retry_at > now_) {
    delayed_.push_back(tasks_.Ref(t));
    return;
  }
  for (const Waiter& w : tasks_[t].waiters) Offer(t, w);
}

void Scheduler::Offer(TaskIndex t, const Waiter& w) {
  const Member& m = w.job->tasks[w.local];
  if (m.needed && tasks_[t].stored) w.job->ready.Push({m.order, t, tasks_[t].generation, w.local});
}

void Scheduler::MakeDone(TaskIndex t, bool reused, bool has_tiles) {
  DropAttempts(t, true);
  tasks_[t].reused = reused;
  tasks_[t].has_tiles = has_tiles;
  SetState(t, TaskState::kDone);
  pending_.push_back(tasks_.Ref(t));
  ++finished_tasks_;
}

void Scheduler::MakeFailed(TaskIndex t, TaskState state, const std::string& message) {
  DropAttempts(t, true);
  tasks_[t].problem = message;
  SetState(t, state);
  // What failed because of an input says nothing: the input did.
  if (!message.empty()) Tell(t, Effect::kProblem, message);
  pending_.push_back(tasks_.Ref(t));
}

// Looks at the users of tasks that came to an end or can come along, and at what those
// that came to an end have read.
void Scheduler::RunPending() {
  while (!pending_.empty()) {
    const TaskRef ref = pending_.back();
    pending_.pop_back();
    if (!tasks_.Holds(ref)) continue;
    WakeUsers(ref.index);
    if (IsOpen(tasks_[ref.index].state)) continue;
    const auto inputs = tasks_[ref.index].inputs;
    for (TaskIndex input : inputs) Retire(input);
  }
}

// A result that was done is not there.
void Scheduler::Reopen(TaskIndex t) {
  bool wanted = false;
  for (const Waiter& w : tasks_[t].waiters) {
    if (w.job->reported_finished) continue;
    bool has_user = false, open_user = false;
    for (TaskRef u : tasks_[t].users) {
      if (!tasks_.Holds(u)) continue;
      for (const Waiter& uw : tasks_[u.index].waiters) has_user |= uw.job == w.job;
    }
    open_user = has_user && ReadByOpen(t, w.job);
    // Without users in the job it is what the job was submitted for.
    if (has_user && !open_user) continue;
    w.job->tasks[w.local].needed = true;
    wanted = true;
  }
  if (!wanted) {
    SetState(t, TaskState::kIdle);
    return;
  }
  BlockUsers(t);
  if (++tasks_[t].losses > options_.losses_until_failed) {
    MakeFailed(t, TaskState::kFailed,
               absl::StrCat("the result was lost ", options_.losses_until_failed + 1,
                            " times after it had been stored; is the disk healthy?"));
    return;
  }
  Block(t);
}

void Scheduler::ResultLost(const ResultKey& key, Time now) {
  Begin(now);
  Task* task = tasks_.Find(key);
  if (task == nullptr || task->state != TaskState::kDone) return;
  Reopen(tasks_.IndexOf(*task));
  Settle();
}

void Scheduler::SetState(TaskIndex t, TaskState state) {
  tasks_[t].state = state;
  for (const Waiter& w : tasks_[t].waiters) Recount(w.job, w.local);
}

// Moves one task of one job to the column of the progress where it belongs now.
void Scheduler::Recount(Job* job, uint32_t local) {
  Member& m = job->tasks[local];
  Group& g = job->groups[m.group];
  const Task& t = tasks_[m.task];

  Member::Counted now = Member::kOpen;
  if (!m.needed) {
    now = Member::kReused;
  } else if (t.state == TaskState::kDone) {
    now = m.counted == Member::kOpen && !t.reused ? Member::kRendered : Member::kReused;
    if (m.counted == Member::kRendered) now = Member::kRendered;
  } else if (IsFailed(t.state)) {
    now = Member::kFailed;
  }
  const auto column = [&](Member::Counted c) -> uint64_t* {
    switch (c) {
      case Member::kOpen:
        return &g.open;
      case Member::kRendered:
        return &g.rendered;
      case Member::kReused:
        return &g.reused;
      case Member::kFailed:
        return &g.failed;
      case Member::kNothing:
        break;
    }
    return nullptr;
  };
  if (now != m.counted) {
    if (uint64_t* c = column(m.counted)) --*c;
    ++*column(now);
    if (m.counted == Member::kOpen && --job->open == 0) maybe_finished_.push_back(job->number);
    if (now == Member::kOpen) ++job->open;
    if (m.counted == Member::kFailed) --job->failed;
    if (now == Member::kFailed) ++job->failed;
    m.counted = now;
  }
  const bool running = m.needed && (t.state == TaskState::kLeased || t.state == TaskState::kCommitting);
  if (running != m.running) g.running += running ? 1 : -1;
  m.running = running;
}

void Scheduler::RemoveJob(JobNumber number, Time now) {
  Begin(now);
  auto it = jobs_.find(number);
  if (it == jobs_.end()) return;
  Job* job = &it->second;
  std::vector<TaskIndex> gone;
  for (const Member& m : job->tasks) {
    Task& t = tasks_[m.task];
    t.waiters.erase(std::remove_if(t.waiters.begin(), t.waiters.end(), [&](const Waiter& w) { return w.job == job; }),
                    t.waiters.end());
    if (t.waiters.empty()) {
      gone.push_back(m.task);
      continue;
    }
    const bool needed =
        std::any_of(t.waiters.begin(), t.waiters.end(), [](const Waiter& w) { return w.job->tasks[w.local].needed; });
    if (!needed && IsOpen(t.state) && t.state != TaskState::kCommitting) {
      DropAttempts(m.task, true);
      SetState(m.task, TaskState::kIdle);
    }
  }
  for (TaskIndex t : gone) {
    DropAttempts(t, true);
    tasks_.Remove(t);
  }
  jobs_.erase(it);
  Settle();
}

Effect Scheduler::AboutTask(Effect::Type type, TaskIndex t) const {
  Effect e;
  e.type = type;
  e.key = tasks_[t].key;
  if (!tasks_[t].waiters.empty()) {
    const Waiter& w = tasks_[t].waiters.front();
    e.job = w.job->number;
    e.local = w.local;
  }
  return e;
}

void Scheduler::Tell(TaskIndex t, Effect::Type type, const std::string& message) {
  setbacks_ += type == Effect::kSetback;
  for (const Waiter& w : tasks_[t].waiters) {
    if (!w.job->tasks[w.local].needed) continue;
    Effect e = AboutTask(type, t);
    e.job = w.job->number;
    e.local = w.local;
    e.message = message;
    effects_.push_back(std::move(e));
  }
}

void Scheduler::FinishJobs() {
  for (JobNumber number : std::exchange(maybe_finished_, {})) {
    auto it = jobs_.find(number);
    if (it == jobs_.end() || it->second.open > 0 || it->second.reported_finished) continue;
    it->second.reported_finished = true;
    Effect e;
    e.type = Effect::kJobFinished;
    e.job = number;
    effects_.push_back(std::move(e));
  }
}

void Scheduler::Settle() {
  RunPending();
  Dispatch();
  FinishJobs();
}

std::vector<Effect> Scheduler::TakeEffects() { return std::exchange(effects_, {}); }

const Job* Scheduler::FindJob(JobNumber number) const {
  auto it = jobs_.find(number);
  return it == jobs_.end() ? nullptr : &it->second;
}

std::vector<JobNumber> Scheduler::JobsOf(const ResultKey& key) const {
  std::vector<JobNumber> found;
  if (const Task* t = tasks_.Find(key)) {
    for (const Waiter& w : t->waiters) found.push_back(w.job->number);
  }
  return found;
}

}  // namespace selvage::sched
