// What people see of a job.
#include <algorithm>
#include <utility>

#include "server/engine.h"

namespace selvage {

namespace {
constexpr int kMaxProblems = 50;
}

void Engine::AddProblem(Errand* e, const std::string& text) {
  if (e->problems.size() >= kMaxProblems) return;
  // The same setback again and again says nothing new.
  if (std::find(e->problems.begin(), e->problems.end(), text) != e->problems.end()) return;
  e->problems.push_back(text);
}

void Engine::AddLines(const Errand& e, sched::JobNumber number, const std::vector<std::string>& lines, JobProgress* p) {
  const sched::Job* job = scheduler_.FindJob(number);
  if (job == nullptr) return;
  for (size_t i = 0; i < lines.size() && i < job->groups.size(); ++i) {
    const sched::Group& g = job->groups[i];
    PassProgress* line = p->add_pass();
    line->set_pass(lines[i]);
    line->set_total(g.total);
    line->set_rendered(g.rendered);
    line->set_reused(g.reused);
    line->set_running(g.running);
    line->set_failed(g.failed);
    line->set_mean_seconds(g.durations.mean());
    if (number != e.rendering || i >= e.tiles.size()) continue;
    line->set_tiles_rendered(e.tiles[i].rendered);
    line->set_tiles_reused(e.tiles[i].reused);
  }
}

JobProgress Engine::ProgressOf(const Errand& e) {
  JobProgress p;
  p.set_job_id(e.id);
  p.set_stack_name(e.stack->name());
  p.set_state(e.state);
  p.set_seconds(Now() - e.started);
  uint64_t slots = 0;
  for (const auto& [number, w] : scheduler_.workers().all()) {
    if (!w.connected) continue;
    p.set_workers(p.workers() + 1);
    slots += w.slots;
  }
  for (const PassProgress& line : e.inspected) *p.add_pass() = line;
  if (e.inspection != 0) AddLines(e, e.inspection, e.inspection_lines, &p);
  AddLines(e, e.rendering, e.lines, &p);
  double seconds = 0, known = 0, known_count = 0, unknown = 0;
  for (const PassProgress& line : p.pass()) {
    const uint64_t over = line.rendered() + line.reused() + line.failed();
    const double open = static_cast<double>(line.total() - std::min(line.total(), over));
    if (line.rendered() > 0) {
      seconds += open * line.mean_seconds();
      known += line.mean_seconds() * static_cast<double>(line.rendered());
      known_count += static_cast<double>(line.rendered());
    } else {
      unknown += open;
    }
  }
  // Passes that have not begun are guessed to be like the others.
  if (known_count > 0) seconds += unknown * known / known_count;
  p.set_seconds_left(seconds / static_cast<double>(std::max<uint64_t>(1, slots)));
  e.warnings.AddTo(&p);
  for (const std::string& text : e.problems) p.add_problem(text);
  for (const StackError& error : e.errors) *p.add_error() = error;
  return p;
}

// Called ten times a second and at the end of a job.
void Engine::ShowProgress() {
  std::map<std::string, const JobProgress*> fresh;
  for (auto it = watchers_.begin(); it != watchers_.end();) {
    Watcher& w = it->second;
    auto job = jobs_.find(w.job_id);
    if (job == jobs_.end()) {
      it = watchers_.erase(it);
      continue;
    }
    JobProgress& p = job->second.progress;
    const std::shared_ptr<Errand>& live = job->second.live;
    const bool last = live == nullptr;
    if (!last && live->over) {
      // Ended, but not yet written down: what is said must be durable.
      ++it;
      continue;
    }
    if (!last && !fresh.count(w.job_id)) {
      JobProgress now = ProgressOf(*live);
      // Time alone is news once a second.
      now.set_sequence(p.sequence());
      JobProgress compare = p;
      if (now.seconds() - p.seconds() < 1) {
        compare.set_seconds(now.seconds());
        compare.set_seconds_left(now.seconds_left());
      }
      if (p.sequence() == 0 || now.SerializeAsString() != compare.SerializeAsString()) {
        now.set_sequence(p.sequence() + 1);
        p = std::move(now);
      }
      fresh[w.job_id] = &p;
    }
    if (last && p.sequence() <= w.shown) p.set_sequence(w.shown + 1);
    if (p.sequence() > w.shown) {
      w.shown = p.sequence();
      w.show(p, last);
    }
    if (last) {
      it = watchers_.erase(it);
    } else {
      ++it;
    }
  }
}

}  // namespace selvage
