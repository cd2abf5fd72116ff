#include "server/reasons.h"

#include <set>
#include <unordered_map>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"

namespace selvage {

namespace {

using Place = std::tuple<std::string, uint32_t, int32_t>;

class Explainer {
 public:
  Explainer(const Plan& plan, const NameTable& names, const Plan& before) : plan_(plan), names_(names) {
    for (size_t i = 0; i < plan.tasks.size(); ++i) where_[plan.tasks[i].key] = i;
    for (const PlannedTask& t : before.tasks) recipe_before_[{t.pass, t.segment, t.frame}] = t.recipe;
  }

  std::string Reason(const PlannedTask& t) const {
    const NameRecord* name = names_.Find(t);
    if (name == nullptr) return "not rendered before";
    if (name->key == t.key) return "rendered before, but no longer in the cache";
    if (name->recipe != t.recipe) {
      auto it = recipe_before_.find({t.pass, t.segment, t.frame});
      if (it != recipe_before_.end() && it->second == name->recipe) return "invalidated";
      return "its own settings, masks or plates changed";
    }
    const std::set<std::string> changed = ChangedInputs(t);
    if (changed.empty()) return "something it is made from changed";
    return absl::StrCat(absl::StrJoin(changed, ", "), " changed");
  }

 private:
  // Passes it reads whose results are others than last time.
  std::set<std::string> ChangedInputs(const PlannedTask& t) const {
    std::set<std::string> changed;
    for (const PlannedInput& in : t.inputs) {
      if (!in.result) continue;
      auto it = where_.find(*in.result);
      if (it == where_.end()) continue;
      const PlannedTask& source = plan_.tasks[it->second];
      const NameRecord* name = names_.Find(source);
      if (name != nullptr && name->key == source.key) continue;
      changed.insert(source.pass == t.pass ? "an earlier step" : source.pass);
    }
    return changed;
  }

  const Plan& plan_;
  const NameTable& names_;
  std::unordered_map<ResultKey, size_t, DigestHash> where_;
  std::map<Place, Digest> recipe_before_;
};

}  // namespace

std::vector<PassPlan> Explain(const Stack& stack, const Plan& plan, const Probed& probed, const NameTable& names,
                              const Plan& before) {
  const Explainer explainer(plan, names, before);
  std::map<std::string, PassPlan> lines;
  std::map<std::string, std::map<std::string, std::set<int32_t>>> reasons;
  std::vector<std::string> order;
  for (size_t i = 0; i < plan.tasks.size(); ++i) {
    const PlannedTask& t = plan.tasks[i];
    auto [it, fresh] = lines.try_emplace(t.pass);
    if (fresh) order.push_back(t.pass);
    it->second.set_pass(t.pass);
    it->second.set_total(it->second.total() + 1);
    if (probed.state[i] == Probed::kRender) {
      it->second.set_render(it->second.render() + 1);
      reasons[t.pass][explainer.Reason(t)].insert(t.frame);
    } else {
      it->second.set_reuse(it->second.reuse() + 1);
    }
  }
  for (auto& [pass, line] : lines) {
    for (const auto& [text, frames] : reasons[pass]) {
      PlanReason* r = line.add_reason();
      r->set_text(text);
      for (int32_t f : frames) r->add_frame(f);
    }
  }
  std::vector<PassPlan> result;
  const auto take = [&](const std::string& pass) {
    auto it = lines.find(pass);
    if (it == lines.end()) return;
    result.push_back(std::move(it->second));
    lines.erase(it);
  };
  for (const Pass& p : stack.pass()) take(p.name());
  for (const std::string& pass : order) take(pass);
  return result;
}

}  // namespace selvage
