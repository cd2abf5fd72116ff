#include "server/plan/explain.h"

#include <algorithm>
#include <map>
#include <tuple>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "server/plan/key.h"

namespace selvage {
namespace {

enum class Cause : uint8_t { kSame, kNew, kSettings, kInvalidated, kAbove };

// What became of one task since the last submission.
struct Change {
  Cause cause = Cause::kSame;
  // kAbove: the task where it began, or -1 where that cannot be told.
  int root = -1;
};

using NameKey = std::tuple<std::string, uint32_t, int32_t>;

class Comparison {
 public:
  Comparison(const Plan& plan, const std::vector<NameRecord>& before) : plan_(plan) {
    before_.reserve(before.size());
    for (const NameRecord& r : before) before_.try_emplace({r.pass, r.segment, r.frame}, &r);
    changes_.reserve(plan.tasks.size());
    for (size_t i = 0; i < plan.tasks.size(); ++i) {
      index_of_[plan.tasks[i].key] = static_cast<int>(i);
      // Inputs come before their users, so theirs are known.
      changes_.push_back(Compare(plan.tasks[i]));
    }
  }

  const Change& operator[](size_t task) const { return changes_[task]; }

 private:
  Change Compare(const PlannedTask& task) const {
    auto it = before_.find({task.pass, task.segment, task.frame});
    if (it == before_.end()) return {Cause::kNew, -1};
    const NameRecord& old = *it->second;
    if (old.key == task.key) return {};
    if (!SameSettings(old.recipe, task.recipe)) return {Cause::kSettings, -1};
    if (old.recipe != task.recipe) return {Cause::kInvalidated, -1};
    for (const PlannedInput& in : task.inputs) {
      if (!in.result) continue;
      const int input = index_of_.at(*in.result);
      const Change& change = changes_[input];
      if (change.cause == Cause::kSame) continue;
      return {Cause::kAbove, change.cause == Cause::kAbove ? change.root : input};
    }
    return {Cause::kAbove, -1};
  }

  const Plan& plan_;
  absl::flat_hash_map<NameKey, const NameRecord*> before_;
  absl::flat_hash_map<ResultKey, int, DigestHash> index_of_;
  std::vector<Change> changes_;
};

// Names of the plates and masks that a task reads itself.
std::string Reads(const PlannedTask& task) {
  std::vector<std::string> names;
  for (const PlannedInput& in : task.inputs) {
    if (!in.plate && !in.mask) continue;
    std::string name = absl::StrCat(in.plate ? "plate \"" : "mask \"", in.name, "\"");
    if (std::find(names.begin(), names.end(), name) == names.end()) names.push_back(std::move(name));
  }
  return absl::StrJoin(names, " or ");
}

std::string Reason(const Plan& plan, const Comparison& changes, size_t task) {
  const Change& change = changes[task];
  switch (change.cause) {
    case Cause::kSame:
      return "its result is no longer in the cache";
    case Cause::kNew:
      return "not rendered before";
    case Cause::kSettings: {
      const std::string reads = Reads(plan.tasks[task]);
      return reads.empty() ? "its own settings changed" : absl::StrCat("its own settings changed, or ", reads);
    }
    case Cause::kInvalidated:
      return "it was invalidated";
    case Cause::kAbove:
      break;
  }
  if (change.root < 0) return "something above it changed";
  const PlannedTask& root = plan.tasks[change.root];
  const Change& cause = changes[change.root];
  // An earlier segment of the same pass: to people that is the pass itself.
  if (root.pass == plan.tasks[task].pass) return Reason(plan, changes, change.root);
  const std::string reads = Reads(root);
  const char* what = cause.cause == Cause::kNew ? " is new" : cause.cause == Cause::kInvalidated ? " was invalidated" : " changed";
  return absl::StrCat("pass \"", root.pass, "\" above it", what,
                      cause.cause == Cause::kSettings && !reads.empty() ? absl::StrCat(", or ", reads) : "");
}

}  // namespace

std::vector<PassPlan> ExplainPlan(const Plan& plan, const Probed& probed, const std::vector<NameRecord>& before) {
  const Comparison changes(plan, before);
  struct Line {
    PassPlan plan;
    // Frame -> earliest segment to be rendered and its task.
    std::map<int32_t, std::pair<uint32_t, size_t>> render;
  };
  std::vector<Line> lines;
  absl::flat_hash_map<std::string, size_t> line_of;
  for (size_t i = 0; i < plan.tasks.size(); ++i) {
    const PlannedTask& task = plan.tasks[i];
    auto [it, is_new] = line_of.try_emplace(task.pass, lines.size());
    if (is_new) lines.emplace_back().plan.set_pass(task.pass);
    Line& line = lines[it->second];
    line.plan.set_total(line.plan.total() + 1);
    if (probed.state[i] != Probed::kRender) {
      line.plan.set_reuse(line.plan.reuse() + 1);
      continue;
    }
    line.plan.set_render(line.plan.render() + 1);
    auto [at, first] = line.render.try_emplace(task.frame, task.segment, i);
    if (!first && task.segment < at->second.first) at->second = {task.segment, i};
  }
  std::vector<PassPlan> passes;
  for (Line& line : lines) {
    absl::flat_hash_map<std::string, int> reason_of;
    for (const auto& [frame, first] : line.render) {
      std::string text = Reason(plan, changes, first.second);
      auto [it, is_new] = reason_of.try_emplace(text, line.plan.reason_size());
      if (is_new) line.plan.add_reason()->set_text(std::move(text));
      line.plan.mutable_reason(it->second)->add_frame(frame);
    }
    passes.push_back(std::move(line.plan));
  }
  return passes;
}

}  // namespace selvage
