// A farm in virtual time: random plans, workers that crash, stall, drain and
// answer late or twice, jobs that join and are cancelled, results that vanish,
// a server that restarts. The production scheduler in the middle.
#include <gtest/gtest.h>

#include <algorithm>
#include <functional>
#include <map>
#include <random>
#include <set>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "server/sched/scheduler.h"

namespace selvage::sched {
namespace {

struct Faults {
  double crash = 0;       // a worker dies while it runs a task
  double stall = 0;       // a worker goes silent for 30 s, then hands in
  double lost_start = 0;  // an order never arrives
  double twice = 0;       // an outcome is handed in twice
  double vanish = 0;      // a stored result is lost when a user reads it
  double setback = 0;
  double cut_off = 0;    // a trace is known
  double hang = 0;       // a worker goes on reporting a task and never finishes it
  double handed_on = 0;  // a result is not stored but comes along with what reads it
  bool restart = false;
  bool cancel = false;
};

// One simulated world: plays the caller of the scheduler, and the workers.
class World {
 public:
  World(uint64_t seed, const Faults& faults) : random_(seed), faults_(faults), s_(new Scheduler(MakeOptions())) {}

  void Run(int workers, int jobs, int frames, int passes) {
    for (int i = 0; i < workers; ++i) At(Uniform(0, 2), [this] { Connect(); });
    for (int j = 0; j < jobs; ++j) {
      const NewJob job = RandomJob(j + 1, frames, passes);
      jobs_[job.number] = job;
      At(j * 5.0, [this, n = job.number] { Submit(n); });
      if (faults_.cancel && j % 3 == 1) At(j * 5.0 + Uniform(1, 40), [this, n = job.number] { Cancel(n); });
    }
    if (faults_.restart) At(Uniform(10, 40), [this] { Restart(); });
    Every(1, [this] { s_->Tick(now_); });
    while (!queue_.empty() && now_ < 20000 && !AllOver()) {
      auto it = queue_.begin();
      now_ = it->first;
      auto what = std::move(it->second);
      queue_.erase(it);
      what();
      Obey();
      // A check looks at every task: as often as that costs about as much as the rest.
      if (++events_ % std::max(97, jobs * frames * passes) == 0) {
        const std::string wrong = s_->CheckInvariants();
        ASSERT_EQ(wrong, "") << "after event " << events_;
      }
    }
    EXPECT_EQ(s_->CheckInvariants(), "");
    EXPECT_TRUE(AllOver()) << over_.size() << " of " << jobs_.size() << " jobs ended";
  }

  bool AllOver() const { return over_.size() == jobs_.size(); }
  uint64_t executions() const { return executions_; }
  uint64_t bound() const {
    return needed_.size() + crashes_ + stalls_ + lost_ + s_->hedges() + hedges_before_ + setbacks_ + hangs_ +
           restarts_in_flight_ + vanished_ + expired_before_ + s_->expired_leases();
  }
  uint64_t trace() const { return trace_; }
  Time now() const { return now_; }
  const std::map<JobNumber, bool>& over() const { return over_; }
  uint64_t abandoned() const { return abandoned_; }
  uint64_t brought() const { return brought_; }

 private:
  struct SimWorker {
    std::string id;
    bool alive = true;
    Time silent_until = 0;
    std::map<ResultKey, uint32_t> running;
    // Of those: what is on its way to the daemon.
    std::set<ResultKey> rendered;
    // Of those: what it will never finish, nor stop.
    std::set<ResultKey> hung;
  };

  static Options MakeOptions() { return {}; }
  double Uniform(double a, double b) { return std::uniform_real_distribution<double>(a, b)(random_); }
  bool Chance(double p) { return p > 0 && Uniform(0, 1) < p; }
  void At(Time delay, std::function<void()> what) { queue_.emplace(now_ + delay, std::move(what)); }
  void Every(Time period, std::function<void()> what) {
    At(period, [this, period, what] {
      what();
      Every(period, what);
    });
  }

  // Passes hang from up to three earlier passes, some at neighbouring frames.
  // Half of the passes are the same in every job.
  NewJob RandomJob(JobNumber number, int frames, int passes) {
    NewJob job;
    job.number = number;
    job.groups = static_cast<uint32_t>(passes);
    job.interactive = number % 7 == 0;
    std::mt19937_64 shape(42);  // the same graph for all jobs
    std::vector<std::vector<std::pair<int, int>>> inputs(static_cast<size_t>(passes));
    for (int p = 1; p < passes; ++p) {
      const int n = static_cast<int>(shape() % 3) + 1;
      for (int i = 0; i < n; ++i)
        inputs[p].push_back({static_cast<int>(shape() % p), static_cast<int>(shape() % 4) == 0});
    }
    for (int p = 0; p < passes; ++p) {
      for (int f = 0; f < frames; ++f) {
        NewTask t;
        const bool own = p > passes / 2;
        t.key.digest = Sha256(absl::StrCat(own ? number : 0, "/", p, "/", f));
        t.group = static_cast<uint32_t>(p);
        t.order = (uint64_t{static_cast<uint32_t>(f)} << 32) + static_cast<uint64_t>(p);
        for (const auto& [q, temporal] : inputs[p]) {
          for (int g = std::max(0, f - temporal); g <= std::min(frames - 1, f + temporal); ++g) {
            t.inputs.push_back(static_cast<uint32_t>(q * frames + g));
          }
        }
        std::sort(t.inputs.begin(), t.inputs.end());
        t.inputs.erase(std::unique(t.inputs.begin(), t.inputs.end()), t.inputs.end());
        // What the job is submitted for is stored.
        t.stored = p + 1 == passes || !Chance(faults_.handed_on);
        job.tasks.push_back(t);
      }
    }
    return job;
  }

  // Plans against what is stored, as the daemon does.
  void Submit(JobNumber n, Time not_before = 0) {
    if (over_.count(n)) return;
    NewJob job = jobs_[n];
    job.not_before = not_before;
    std::vector<bool> wanted(job.tasks.size(), false);
    for (size_t i = 0; i < job.tasks.size(); ++i) wanted[i] = job.tasks[i].group + 1 == job.groups;
    for (size_t i = job.tasks.size(); i-- > 0;) {
      NewTask& t = job.tasks[i];
      if (!wanted[i]) {
        t.known = Known::kNotNeeded;
      } else if (stored_.count(t.key)) {
        t.known = Known::kHit;
      } else {
        t.known = Known::kRender;
        needed_.insert(t.key);
        for (uint32_t in : t.inputs) wanted[in] = true;
      }
    }
    live_[n] = job;
    s_->AddJob(job, now_);
  }

  void Cancel(JobNumber n) {
    if (over_.count(n)) return;
    over_[n] = false;
    live_.erase(n);
    s_->RemoveJob(n, now_);
  }

  void Restart() {
    expired_before_ += s_->expired_leases();
    hedges_before_ += s_->hedges();
    for (const auto& w : workers_) restarts_in_flight_ += w->running.size();
    // Everything in memory is gone; stored results and submitted jobs are not.
    s_ = std::make_unique<Scheduler>([&] {
      Options o;
      o.stop_unknown_after = now_ + 10;
      return o;
    }());
    ++life_;
    const auto live = live_;
    for (const auto& [n, job] : live) Submit(n, now_ + 3);
    for (auto& w : workers_) {
      if (w->alive) At(Uniform(0, 2), [this, w] { Report(w.get()); });
    }
  }

  void Connect() {
    auto w = std::make_shared<SimWorker>();
    w->id = absl::StrCat("w", workers_.size());
    workers_.push_back(w);
    Report(w.get());
    Beat(w);
  }
  void Beat(std::shared_ptr<SimWorker> w) {
    At(5, [this, w] {
      if (!w->alive) return;
      if (now_ >= w->silent_until) Report(w.get());
      Beat(w);
    });
  }
  void Report(SimWorker* w) {
    std::vector<Running> running;
    for (const auto& [key, attempt] : w->running) running.push_back({key, attempt, w->rendered.contains(key)});
    s_->Report(w->id, 2, false, running, now_);
  }

  void Obey() {
    for (auto effects = s_->TakeEffects(); !effects.empty(); effects = s_->TakeEffects()) {
      for (const Effect& e : effects) {
        trace_ = trace_ * 1099511628211ULL + e.type * 31 + e.job * 7 + e.attempt + DigestHash()(e.key) + e.worker;
        switch (e.type) {
          case Effect::kStart:
            Start(e);
            break;
          case Effect::kStop:
            Stop(e);
            break;
          case Effect::kAsk:
            Asked(e);
            break;
          case Effect::kProblem:
            if (e.message.find("different workers") != std::string::npos) ++abandoned_;
            break;
          case Effect::kSetback:
            break;
          case Effect::kJobFinished:
            Finished(e.job);
            break;
        }
      }
    }
  }

  void Asked(const Effect& e) {
    const bool wants_tiles = !e.by_trace || s_->FindTask(e.key)->stored;
    const bool own = stored_.count(e.key) > 0 || (!wants_tiles && known_.count(e.key) > 0);
    const bool hit = own || (e.by_trace && Chance(faults_.cut_off));
    const bool has_tiles = own ? stored_.count(e.key) > 0 : wants_tiles || Chance(0.5);
    if (!hit) needed_.insert(e.key);
    // What is known of an input may be gone when somebody asks.
    if (e.by_trace && Chance(faults_.vanish)) {
      const NewJob& job = live_.at(e.job);
      for (uint32_t in : job.tasks[e.local].inputs) {
        const ResultKey lost = job.tasks[in].key;
        if (stored_.count(lost) > 0 || known_.erase(lost) == 0) continue;
        At(0.01, [this, lost, life = life_] {
          if (life == life_) s_->ResultLost(lost, now_);
        });
        return;
      }
    }
    At(Uniform(0, 0.05), [this, key = e.key, q = e.question, hit, has_tiles, life = life_] {
      if (life != life_) return;
      if (hit) (has_tiles ? stored_ : known_).insert(key);
      s_->Answer(key, q, hit, now_, has_tiles);
    });
  }

  void Finished(JobNumber n) {
    const Job* job = s_->FindJob(n);
    ASSERT_NE(job, nullptr);
    if (job->failed == 0) {
      for (const NewTask& t : jobs_[n].tasks) {
        ASSERT_TRUE(t.group + 1 < jobs_[n].groups || stored_.count(t.key)) << "done without its result";
      }
    }
    over_[n] = job->failed == 0;
    live_.erase(n);
    s_->RemoveJob(n, now_);
  }

  void Stop(const Effect& e) {
    for (auto& w : workers_) {
      if (w->id == e.worker_id && !w->hung.contains(e.key)) w->running.erase(e.key);
    }
  }

  void Start(const Effect& e) {
    auto it = std::find_if(workers_.begin(), workers_.end(), [&](const auto& w) { return w->id == e.worker_id; });
    ASSERT_NE(it, workers_.end());
    auto w = *it;
    const NewTask& task = live_.at(e.job).tasks[e.local];
    ASSERT_EQ(task.key, e.key) << "job and position belong to the task";
    ++executions_;
    if (!w->alive || Chance(faults_.lost_start)) {
      ++lost_;
      return;
    }
    // All that is read is stored or comes along, inputs first.
    std::vector<ResultKey> inputs, inner;
    std::set<ResultKey> along;
    const auto reads = [&](const NewTask& reader) {
      for (uint32_t in : reader.inputs) {
        const ResultKey key = live_.at(e.job).tasks[in].key;
        if (along.count(key)) continue;
        inputs.push_back(key);
        ASSERT_TRUE(stored_.count(key)) << "started before its input was stored";
      }
    };
    for (uint32_t local : e.inner) {
      const NewTask& brought = live_.at(e.job).tasks[local];
      reads(brought);
      along.insert(brought.key);
      inner.push_back(brought.key);
      ++brought_;
    }
    reads(task);
    if (::testing::Test::HasFatalFailure()) return;
    w->running[e.key] = e.attempt;
    w->rendered.erase(e.key);
    if (!inputs.empty() && Chance(faults_.vanish)) {
      const ResultKey lost = inputs[static_cast<size_t>(Uniform(0, static_cast<double>(inputs.size()) - 0.001))];
      At(0.1, [this, w, key = e.key, lost] {
        if (!w->running.erase(key)) return;
        // A lost result may need all that it was made of.
        vanished_ += stored_.erase(lost) + 1;
        needed_.insert(lost);
        s_->InputLost(key, w->id, lost, now_);
      });
      return;
    }
    if (Chance(faults_.hang)) {
      ++hangs_;
      w->hung.insert(e.key);
      return;
    }
    if (Chance(faults_.setback)) {
      At(0.2, [this, w, key = e.key] {
        if (!w->running.erase(key)) return;
        ++setbacks_;
        s_->TaskSetback(key, w->id, "no memory", now_);
      });
      return;
    }
    if (Chance(faults_.crash)) {
      At(Uniform(0, 1), [this, w] {
        if (!w->alive) return;
        w->alive = false;
        crashes_ += w->running.size();
        s_->Disconnected(w->id, now_);
        At(Uniform(1, 10), [this] { Connect(); });
      });
      return;
    }
    Time takes = Uniform(0.1, 1.5);
    if (Chance(faults_.stall)) {
      w->silent_until = now_ + 30;
      stalls_ += 2;
      takes += 30;
    }
    At(takes, [this, w, key = e.key, inner] { HandIn(w, key, inner); });
  }

  void HandIn(std::shared_ptr<SimWorker> w, const ResultKey& key, const std::vector<ResultKey>& inner) {
    if (!w->alive || !w->running.count(key)) return;
    w->rendered.insert(key);
    if (now_ >= w->silent_until) Report(w.get());
    for (int i = 0; i < (Chance(faults_.twice) ? 2 : 1); ++i) {
      At(Uniform(0, 0.2) + i, [this, w, key, inner, first = i == 0] {
        if (!w->alive) return;
        if (first && w->rendered.erase(key)) w->running.erase(key);
        if (!s_->BeginCommit(key, w->id, now_)) return;
        std::vector<ResultKey> taken;
        for (const ResultKey& k : inner) {
          if (s_->BeginBring(k, now_)) taken.push_back(k);
        }
        At(Uniform(0.001, 0.02), [this, w, key, taken, life = life_] {
          const bool ok = !Chance(faults_.setback);
          for (const ResultKey& k : taken) {
            if (ok) known_.insert(k);
            if (life == life_) s_->EndBring(k, ok, 0.1, now_);
          }
          if (ok) stored_.insert(key);
          if (!ok) ++setbacks_;
          if (life == life_) s_->EndCommit(key, w->id, ok, 0.5, now_);
          // Its worker hands in again.
          if (!ok && w->alive) w->running.emplace(key, 0);
          if (!ok) At(0.5, [this, w, key, taken] { HandIn(w, key, taken); });
        });
      });
    }
  }

  std::mt19937_64 random_;
  Faults faults_;
  std::unique_ptr<Scheduler> s_;
  Time now_ = 0;
  int life_ = 0;
  std::multimap<Time, std::function<void()>> queue_;
  std::vector<std::shared_ptr<SimWorker>> workers_;
  std::map<JobNumber, NewJob> jobs_, live_;
  std::map<JobNumber, bool> over_;
  // With their tiles; what is known without them.
  std::set<ResultKey> stored_, known_;
  std::set<ResultKey> needed_;
  uint64_t brought_ = 0;
  uint64_t events_ = 0, executions_ = 0, crashes_ = 0, stalls_ = 0, lost_ = 0, setbacks_ = 0, vanished_ = 0, hangs_ = 0;
  uint64_t restarts_in_flight_ = 0, expired_before_ = 0, hedges_before_ = 0, abandoned_ = 0;
  uint64_t trace_ = 0;
};

TEST(Simulation, WithoutFaultsEveryTaskRunsExactlyOnce) {
  for (uint64_t seed = 0; seed < 10; ++seed) {
    World w(seed, {});
    w.Run(8, 3, 20, 12);
    EXPECT_LE(w.executions(), w.bound()) << seed;
    for (const auto& [job, ok] : w.over()) EXPECT_TRUE(ok);
  }
}

TEST(Simulation, WithoutFaultsBundlesRenderOnlyWhatIsStored) {
  for (uint64_t seed = 0; seed < 10; ++seed) {
    World w(seed, {.handed_on = 0.6}), stored(seed, {});
    w.Run(8, 3, 20, 12);
    stored.Run(8, 3, 20, 12);
    EXPECT_GT(w.brought(), 0u) << seed;
    EXPECT_LT(w.executions(), stored.executions()) << seed;
    for (const auto& [job, ok] : w.over()) EXPECT_TRUE(ok);
  }
}

TEST(Simulation, JobsEndUnderEveryFaultForTwoHundredSeeds) {
  for (uint64_t seed = 0; seed < 200; ++seed) {
    Faults f;
    std::mt19937_64 pick(seed);
    const auto some = [&](double p) { return pick() % 2 ? p : 0.0; };
    f.crash = some(0.01);
    f.stall = some(0.01);
    f.lost_start = some(0.02);
    f.twice = some(0.1);
    f.vanish = some(0.03);
    f.setback = some(0.05);
    f.cut_off = some(0.2);
    f.hang = some(0.002);
    f.restart = pick() % 2;
    f.cancel = pick() % 2;
    f.handed_on = some(0.6);
    World w(seed, f);
    w.Run(6, 4, 8, 10);
    if (::testing::Test::HasFatalFailure()) {
      ADD_FAILURE() << "seed " << seed;
      return;
    }
    ASSERT_TRUE(w.AllOver()) << "seed " << seed;
    EXPECT_LE(w.executions(), w.bound()) << "seed " << seed;
    // A job that nobody cancelled comes out whole unless a task killed three workers.
    for (const auto& [job, ok] : w.over()) {
      const bool cancelled = f.cancel && job % 3 == 2;
      EXPECT_TRUE(ok || cancelled || w.abandoned() > 0 || f.vanish > 0) << "seed " << seed << " job " << job;
    }
  }
}

TEST(Simulation, SameSeedSameTrace) {
  Faults f;
  f.crash = f.stall = f.lost_start = f.setback = 0.02;
  f.restart = true;
  World a(7, f), b(7, f), c(8, f);
  a.Run(5, 3, 10, 10);
  b.Run(5, 3, 10, 10);
  c.Run(5, 3, 10, 10);
  EXPECT_EQ(a.trace(), b.trace());
  EXPECT_NE(a.trace(), c.trace());
}

TEST(Simulation, AHundredThousandTasksOnTwoHundredWorkers) {
  Faults f;
  f.crash = 0.0002;
  World w(1, f);
  w.Run(200, 1, 1000, 50);
  EXPECT_TRUE(w.AllOver());
}

}  // namespace
}  // namespace selvage::sched
