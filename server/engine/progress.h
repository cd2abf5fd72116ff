// What people see of a request: lines, warnings, what went wrong.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "proto/job.pb.h"
#include "server/engine/measured.h"
#include "server/engine/warnings.h"
#include "server/sched/scheduler.h"

namespace selvage {

// On the strand. Collects; the scheduler is asked when it is told.
class RequestProgress {
 public:
  // Who it is: id, owner, when it was submitted.
  JobProgress identity;

  // What went wrong; the same again says nothing new. At most 50.
  void AddProblem(const std::string& text);
  void AddError(const StackError& error);
  void AddErrors(const std::vector<StackError>& errors);
  const std::vector<std::string>& problems() const { return problems_; }
  bool has_errors() const { return !errors_.empty(); }
  // In an order that does not depend on which worker was first.
  void SortErrors();

  // Lines of the two jobs that a request may have with the scheduler.
  void BeginInspection(std::vector<std::string> lines) { inspection_lines_ = std::move(lines); }
  void EndInspection(const sched::Job* job);
  // A new plan: what was said of the old one goes.
  void BeginRendering(std::vector<std::string> lines);
  void AddTiles(uint32_t group, uint32_t rendered, uint32_t reused);
  JobWarnings& warnings() { return warnings_; }
  // What the passes of the plan usually take.
  void Expect(const Workload& workload) { expected_ = workload.of_pass; }
  // The same line by line; 0: not known.
  std::vector<double> UsualSeconds(const std::vector<std::string>& lines) const;

  // Fills in lines, warnings, problems, errors, and the time left.
  void AddTo(const sched::Job* inspection, const sched::Job* rendering, const sched::WorkerTable& workers,
             JobProgress* progress) const;

 private:
  struct Tiles {
    uint64_t rendered = 0, reused = 0;
  };
  std::vector<std::string> inspection_lines_, rendering_lines_;
  std::vector<PassProgress> inspected_;
  std::vector<Tiles> tiles_;
  JobWarnings warnings_;
  std::map<std::string, double> expected_;
  std::vector<std::string> problems_;
  std::vector<StackError> errors_;
};

}  // namespace selvage
