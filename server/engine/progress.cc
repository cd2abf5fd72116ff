#include "server/engine/progress.h"

#include <algorithm>
#include <utility>

namespace selvage {
namespace {

constexpr size_t kMaxProblems = 50, kMaxErrors = 50;

std::vector<PassProgress> LinesOf(const sched::Job* job, const std::vector<std::string>& names) {
  std::vector<PassProgress> lines;
  for (size_t i = 0; job != nullptr && i < names.size() && i < job->groups.size(); ++i) {
    const sched::Group& g = job->groups[i];
    PassProgress& line = lines.emplace_back();
    line.set_pass(names[i]);
    line.set_total(g.total);
    line.set_rendered(g.rendered);
    line.set_reused(g.reused);
    line.set_running(g.running);
    line.set_failed(g.failed);
    line.set_mean_seconds(g.durations.mean());
  }
  return lines;
}

// Of one worker's slot. Passes that have not begun take what they took before (`expected`),
// or are guessed to be like the others.
double SecondsLeft(const JobProgress& p, const std::map<std::string, double>& expected) {
  double seconds = 0, known = 0, known_count = 0, unknown = 0;
  for (const PassProgress& line : p.pass()) {
    const uint64_t over = line.rendered() + line.reused() + line.failed();
    const double open = static_cast<double>(line.total() - std::min(line.total(), over));
    if (line.rendered() == 0) {
      const auto before = expected.find(line.pass());
      if (before != expected.end() && before->second > 0) {
        seconds += open * before->second;
      } else {
        unknown += open;
      }
      continue;
    }
    seconds += open * line.mean_seconds();
    known += line.mean_seconds() * static_cast<double>(line.rendered());
    known_count += static_cast<double>(line.rendered());
  }
  return known_count > 0 ? seconds + unknown * known / known_count : seconds;
}

}  // namespace

void RequestProgress::AddProblem(const std::string& text) {
  if (problems_.size() >= kMaxProblems) return;
  if (std::find(problems_.begin(), problems_.end(), text) == problems_.end()) problems_.push_back(text);
}

void RequestProgress::AddError(const StackError& error) {
  if (errors_.size() < kMaxErrors) errors_.push_back(error);
}

void RequestProgress::AddErrors(const std::vector<StackError>& errors) {
  for (const StackError& error : errors) AddError(error);
}

void RequestProgress::SortErrors() {
  std::sort(errors_.begin(), errors_.end(),
            [](const StackError& a, const StackError& b) { return a.message() < b.message(); });
}

void RequestProgress::EndInspection(const sched::Job* job) { inspected_ = LinesOf(job, inspection_lines_); }

void RequestProgress::BeginRendering(std::vector<std::string> lines) {
  rendering_lines_ = std::move(lines);
  tiles_.assign(rendering_lines_.size(), {});
  warnings_ = {};
}

std::vector<double> RequestProgress::UsualSeconds(const std::vector<std::string>& lines) const {
  std::vector<double> seconds;
  for (const std::string& line : lines) {
    const auto known = expected_.find(line);
    seconds.push_back(known == expected_.end() ? 0 : known->second);
  }
  return seconds;
}

void RequestProgress::AddTiles(uint32_t group, uint32_t rendered, uint32_t reused) {
  if (group >= tiles_.size()) return;
  tiles_[group].rendered += rendered;
  tiles_[group].reused += reused;
}

void RequestProgress::AddTo(const sched::Job* inspection, const sched::Job* rendering,
                            const sched::WorkerTable& workers, JobProgress* p) const {
  uint64_t slots = 0;
  for (const auto& [number, w] : workers.all()) {
    if (!w.connected) continue;
    p->set_workers(p->workers() + 1);
    slots += w.slots;
  }
  for (const PassProgress& line : inspected_) *p->add_pass() = line;
  for (PassProgress& line : LinesOf(inspection, inspection_lines_)) *p->add_pass() = std::move(line);
  std::vector<PassProgress> lines = LinesOf(rendering, rendering_lines_);
  for (size_t i = 0; i < lines.size(); ++i) {
    lines[i].set_tiles_rendered(tiles_[i].rendered);
    lines[i].set_tiles_reused(tiles_[i].reused);
    *p->add_pass() = std::move(lines[i]);
  }
  p->set_seconds_left(SecondsLeft(*p, expected_) / static_cast<double>(std::max<uint64_t>(1, slots)));
  warnings_.AddTo(p);
  for (const std::string& text : problems_) p->add_problem(text);
  for (const StackError& error : errors_) *p->add_error() = error;
}

}  // namespace selvage
