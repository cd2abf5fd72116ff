#include "server/plan/explain.h"

#include <algorithm>
#include <map>
#include <tuple>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"
#include "proto/catalogue.h"
#include "server/plan/ingredients.h"
#include "server/plan/key.h"

namespace selvage::plan {
namespace {

enum class Cause : uint8_t { kSame, kNew, kSettings, kInvalidated, kAbove };

// What became of one task since the last submission.
struct Change {
  Cause cause = Cause::kSame;
  // kAbove: the task where it began, or -1 where that cannot be told.
  int root = -1;
};

struct Reason {
  std::string text;
  // Where it began; "" for the task's own pass.
  std::string pass;
};

using NameKey = std::tuple<std::string, uint32_t, int32_t>;

// Two lists of operators with one difference between them, in words. What lies
// beyond the shorter one is not looked at: an older form of the pass may have
// left names there.
std::string OperatorDifference(const std::vector<std::string>& before, const std::vector<std::string>& now) {
  size_t at = 0;
  while (at < before.size() && at < now.size() && before[at] == now[at]) ++at;
  const auto alike = [](const std::vector<std::string>& a, size_t i, const std::vector<std::string>& b, size_t j) {
    for (; i < a.size() && j < b.size(); ++i, ++j) {
      if (a[i] != b[j]) return false;
    }
    return true;
  };
  if (at == now.size() && at == before.size()) return "";
  if (at == now.size()) return absl::StrCat(before[at], " was removed");
  if (before.size() == now.size() && alike(before, at + 1, now, at + 1)) {
    return absl::StrCat(now[at], " replaced ", before[at]);
  }
  if (at == before.size() || alike(before, at, now, at + 1)) return absl::StrCat(now[at], " was added");
  if (alike(before, at + 1, now, at)) return absl::StrCat(before[at], " was removed");
  return absl::StrCat(now[at], " replaced ", before[at]);
}

class Explainer {
 public:
  Explainer(const Stack& stack, const Plan& plan, const Probed& probed, const Remembered& before)
      : stack_(stack), plan_(plan), probed_(probed), remembered_(before) {
    before_.reserve(before.names.size());
    for (const NameRecord& r : before.names) {
      before_.try_emplace({r.pass, r.segment, r.frame}, &r);
      uint32_t& last = last_segment_[r.pass];
      last = std::max(last, r.segment);
    }
    changes_.reserve(plan.tasks.size());
    for (size_t i = 0; i < plan.tasks.size(); ++i) {
      if (GivenUp()) break;
      index_of_[plan.tasks[i].key] = static_cast<int>(i);
      // Inputs come before their users, so theirs are known.
      changes_.push_back(Compare(plan.tasks[i]));
      for (const PlannedInput& in : plan.tasks[i].inputs) {
        if (in.result && in.step >= 0) reader_of_.try_emplace(*in.result, static_cast<int>(i), &in);
      }
    }
  }

  bool GivenUp() const { return remembered_.give_up && remembered_.give_up(); }
  size_t IndexOf(const ResultKey& key) const { return static_cast<size_t>(index_of_.at(key)); }
  bool Changed(size_t task) const { return changes_[task].cause != Cause::kSame; }

  Reason Of(size_t task) {
    const Change& change = changes_[task];
    const PlannedTask& t = plan_.tasks[task];
    switch (change.cause) {
      case Cause::kSame:
        if (remembered_.damaged(t.key)) return {"found damaged in the cache", ""};
        return {probed_.record[task] != nullptr ? "its pixels were not kept" : "evicted from the cache", ""};
      case Cause::kNew:
      case Cause::kSettings:
      case Cause::kInvalidated:
        return {Own(task), ""};
      case Cause::kAbove:
        break;
    }
    // Reads from elsewhere?
    const Difference own = Differ(task);
    if (!own.text.empty()) return {own.text, ""};
    if (change.root < 0)
      return {own.input ? absl::StrCat("\"", own.input_name, "\" changed, which it is made from")
                        : "something that it is made from changed",
              ""};
    const PlannedTask& root = plan_.tasks[change.root];
    const bool elsewhen = root.frame != t.frame && !Measures(root) && !Follows(root);
    return {absl::StrCat(Own(change.root), elsewhen ? absl::StrCat(" (frame ", root.frame, ")") : ""),
            root.pass == t.pass ? "" : root.pass};
  }

 private:
  Change Compare(const PlannedTask& task) const {
    const NameRecord* old = Before(task.pass, task.segment, task.frame);
    if (old == nullptr) return {Cause::kNew, -1};
    if (old->key == task.key) return {};
    if (!SameSettings(old->recipe, task.recipe)) return {Cause::kSettings, -1};
    if (old->recipe != task.recipe) return {Cause::kInvalidated, -1};
    for (const PlannedInput& in : task.inputs) {
      if (!in.result) continue;
      const int input = index_of_.at(*in.result);
      const Change& change = changes_[input];
      if (change.cause == Cause::kSame) continue;
      return {Cause::kAbove, change.cause == Cause::kAbove ? change.root : input};
    }
    return {Cause::kAbove, -1};
  }

  const NameRecord* Before(const std::string& pass, uint32_t segment, int32_t frame) const {
    auto it = before_.find({pass, segment, frame});
    return it == before_.end() ? nullptr : it->second;
  }

  // What happened to the task itself.
  std::string Own(size_t task) {
    auto [it, is_new] = own_.try_emplace(task);
    if (is_new) it->second = FindOwn(task);
    return it->second;
  }

  std::string FindOwn(size_t task) {
    const PlannedTask& t = plan_.tasks[task];
    const Cause cause = changes_[task].cause;
    if (cause == Cause::kInvalidated)
      return remembered_.invalidation ? remembered_.invalidation(t.epoch) : "invalidated";
    const bool pass_is_known = Before(t.pass, 0, t.frame) != nullptr || last_segment_.contains(t.pass);
    if (cause == Cause::kNew && !pass_is_known) return "not rendered before";
    // Without plates, one answer holds for all frames with these recipes.
    const bool shared = std::none_of(t.inputs.begin(), t.inputs.end(), [](const PlannedInput& in) { return in.plate; });
    const NameRecord* old = Before(t.pass, t.segment, t.frame);
    const std::pair<Digest, Digest> recipes{old == nullptr ? Digest() : old->recipe, t.recipe};
    if (shared && old != nullptr) {
      auto known = by_recipes_.find(recipes);
      if (known != by_recipes_.end()) return known->second;
    }
    std::string text = FormDifference(t);
    if (text.empty()) text = Differ(task).text;
    if (text.empty()) text = cause == Cause::kNew ? "not rendered before" : "its own settings changed";
    if (shared && old != nullptr) by_recipes_.emplace(recipes, text);
    return text;
  }

  // Steps added and taken out, over the whole pass: they move the borders of segments.
  std::string FormDifference(const PlannedTask& task) {
    std::vector<std::string> now, before;
    const Pass* pass = PassOf(task);
    if (pass == nullptr || !remembered_.ingredients) return "";
    for (const Step& step : pass->step()) now.push_back(OperatorOf(step)->name);
    const auto last = last_segment_.find(task.pass);
    for (uint32_t s = 0; last != last_segment_.end() && s <= last->second; ++s) {
      const NameRecord* name = Before(task.pass, s, task.frame);
      if (name == nullptr) continue;
      const std::optional<Ingredients> old = remembered_.ingredients(*name);
      if (!old) return "";
      for (const Step& step : old->step()) {
        const Operator* op = OperatorOf(step);
        if (op != nullptr && !op->traits.internal()) before.push_back(op->name);
      }
    }
    return before.empty() ? "" : OperatorDifference(before, now);
  }

  Difference Differ(size_t task) {
    const PlannedTask& t = plan_.tasks[task];
    const NameRecord* name = Before(t.pass, t.segment, t.frame);
    if (name == nullptr || !remembered_.ingredients) return {};
    const std::optional<Ingredients> old = remembered_.ingredients(*name);
    if (!old) return {};
    Difference d = FirstDifference(*old, IngredientsOf(plan_, t), t.frame, [&](int step) { return StepName(t, step); });
    if (Measures(t)) d.text = absl::StrReplaceAll(d.text, {{".box.", "."}});
    return d;
  }

  static bool Measures(const PlannedTask& task) {
    const Operator* op = task.steps->empty() ? nullptr : OperatorOf(task.steps->front());
    return op != nullptr && op->traits.family() == "measure";
  }

  static bool Follows(const PlannedTask& task) {
    return !task.steps->empty() && (task.steps->front().has_carry_points() || task.steps->front().has_draw_mask());
  }

  const Pass* PassOf(const PlannedTask& task) const {
    for (const Pass& p : stack_.pass()) {
      if (p.name() == task.pass) return &p;
    }
    return nullptr;
  }

  // As its author knows it: "levels", "levels[2]" where the pass has several,
  // "degrain.sample" for what measures a box, "the file" for a deliverable.
  std::string StepName(const PlannedTask& task, int step) const {
    if (Measures(task)) {
      auto reader = reader_of_.find(task.key);
      if (reader == reader_of_.end()) return "sample";
      const auto& [user, in] = reader->second;
      return absl::StrCat(StepName(plan_.tasks[user], in->step), ".", in->port);
    }
    const std::string name = OperatorOf((*task.steps)[step])->name;
    const Pass* pass = PassOf(task);
    if (pass == nullptr) return name == "deliver_file" ? "the file" : name;
    int ordinal = 0, count = 0;
    for (int i = 0; i < pass->step_size(); ++i) {
      if (OperatorOf(pass->step(i))->name != name) continue;
      ++count;
      if (i <= static_cast<int>(task.first_step) + step) ordinal = count;
    }
    return count > 1 ? absl::StrCat(name, "[", ordinal, "]") : name;
  }

  const Stack& stack_;
  const Plan& plan_;
  const Probed& probed_;
  const Remembered& remembered_;
  absl::flat_hash_map<NameKey, const NameRecord*> before_;
  absl::flat_hash_map<std::string, uint32_t> last_segment_;
  absl::flat_hash_map<ResultKey, int, DigestHash> index_of_;
  // Of a result that a step reads: one task that does, and its input.
  absl::flat_hash_map<ResultKey, std::pair<int, const PlannedInput*>, DigestHash> reader_of_;
  std::vector<Change> changes_;
  absl::flat_hash_map<size_t, std::string> own_;
  std::map<std::pair<Digest, Digest>, std::string> by_recipes_;
};

// Frames with the same answer together, in the order of their first frame.
class ReasonList {
 public:
  void Add(Reason reason, bool reused, int32_t frame, google::protobuf::RepeatedPtrField<PlanReason>* out) {
    auto [it, is_new] = at_.try_emplace({reason.pass, reason.text, reused}, out->size());
    if (is_new) {
      PlanReason* r = out->Add();
      r->set_text(std::move(reason.text));
      r->set_pass(std::move(reason.pass));
      r->set_reused(reused);
    }
    (*out)[it->second].add_frame(frame);
  }

 private:
  std::map<std::tuple<std::string, std::string, bool>, int> at_;
};

}  // namespace

std::vector<PassPlan> ExplainPlan(const Stack& stack, const Plan& plan, const Probed& probed,
                                  const Remembered& before) {
  Explainer explainer(stack, plan, probed, before);
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
    ReasonList reasons;
    for (const auto& [frame, first] : line.render) {
      if (explainer.GivenUp()) return {};
      reasons.Add(explainer.Of(first.second), false, frame, line.plan.mutable_reason());
    }
    passes.push_back(std::move(line.plan));
  }
  return passes;
}

std::vector<PlanReason> ExplainTargets(const Stack& stack, const Plan& plan, const std::vector<Target>& targets,
                                       const Probed& probed, const Remembered& before) {
  Explainer explainer(stack, plan, probed, before);
  google::protobuf::RepeatedPtrField<PlanReason> out;
  ReasonList reasons;
  for (size_t i = 0; i < targets.size() && i < plan.targets.size(); ++i) {
    if (explainer.GivenUp()) return {};
    const size_t task = explainer.IndexOf(plan.targets[i]);
    const bool reused = probed.state[task] == Probed::kHit || probed.state[task] == Probed::kKnown;
    if (!reused) {
      reasons.Add(explainer.Of(task), false, targets[i].frame, &out);
    } else if (!explainer.Changed(task)) {
      reasons.Add({"nothing changed: would be reused", ""}, true, targets[i].frame, &out);
    } else {
      Reason changed = explainer.Of(task);
      absl::StrAppend(&changed.text, "; rendered like this before: would be reused");
      reasons.Add(std::move(changed), true, targets[i].frame, &out);
    }
  }
  return {out.begin(), out.end()};
}

}  // namespace selvage::plan
