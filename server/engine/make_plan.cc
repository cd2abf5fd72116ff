#include "server/engine/make_plan.h"

#include <algorithm>
#include <map>
#include <tuple>
#include <utility>

#include "proto/status.h"
#include "server/engine/names.h"
#include "server/engine/probe.h"
#include "server/engine/state_format.h"
#include "server/plan/explain.h"
#include "server/plan/key.h"

namespace selvage {
namespace {

// Up to so many tasks, names are looked up one by one: a stack may have a
// million, of which a look or a `why` needs forty.
constexpr size_t kFewTasks = 4096;
// Segments that a pass may have had more than now.
constexpr uint32_t kFormerSegments = 4;

absl::StatusOr<std::vector<NameRecord>> NamesBefore(const plan::Plan& plan, ResultIndex& index) {
  if (plan.tasks.size() > kFewTasks) return index.FindNames(plan.stack_name, "");
  std::vector<NameRecord> places;
  std::map<std::pair<std::string, int32_t>, uint32_t> last;
  for (const plan::PlannedTask& t : plan.tasks) {
    places.push_back(NameOf(plan, t));
    uint32_t& segment = last[{t.pass, t.frame}];
    segment = std::max(segment, t.segment);
  }
  for (const auto& [place, segment] : last) {
    for (uint32_t s = segment + 1; s <= segment + kFormerSegments; ++s) {
      NameRecord& n = places.emplace_back();
      n.stack = plan.stack_name;
      n.pass = place.first;
      n.segment = s;
      n.frame = place.second;
    }
  }
  ASSIGN_OR_RETURN(auto found, index.FindNamesAt(places));
  std::vector<NameRecord> names;
  for (auto& name : found) {
    if (name) names.push_back(*std::move(name));
  }
  return names;
}

// Pinned first, then looked up: what is found stays.
absl::Status PinAndProbe(Planned* planned, ResultIndex& index, Evictor& evictor) {
  const plan::Plan& plan = *planned->plan;
  std::vector<ResultKey> keys, unneeded;
  keys.reserve(plan.tasks.size());
  for (const plan::PlannedTask& t : plan.tasks) keys.push_back(t.key);
  evictor.Pin(keys);
  auto probed = Probe(plan, index);
  if (!probed.ok()) {
    evictor.Unpin(keys);
    return probed.status();
  }
  planned->probed = *std::move(probed);
  for (size_t i = 0; i < keys.size(); ++i) {
    if (planned->probed.state[i] == plan::Probed::kNotNeeded) unneeded.push_back(keys[i]);
  }
  evictor.Unpin(unneeded);
  return absl::OkStatus();
}

// Passes whose settings are not those of the last submission, and new ones.
std::set<std::string> ChangedPasses(const plan::Plan& plan, const std::vector<NameRecord>& names) {
  std::set<std::string> changed, known;
  std::map<std::tuple<std::string, uint32_t, int32_t>, const NameRecord*> at;
  for (const NameRecord& n : names) {
    at[{n.pass, n.segment, n.frame}] = &n;
    known.insert(n.pass);
  }
  for (const plan::PlannedTask& t : plan.tasks) {
    if (names.empty() || t.pass == "look") continue;
    const auto before = at.find({t.pass, t.segment, t.frame});
    if (before == at.end() ? !known.contains(t.pass) : !plan::SameSettings(before->second->recipe, t.recipe)) {
      changed.insert(t.pass);
    }
  }
  return changed;
}

void Choose(const std::vector<NameRecord>& names, const StoringPolicy& policy, Planned* planned) {
  plan::StoringRules rules = policy.rules;
  rules.working_edge = policy.edge->Of(planned->plan->stack_name, ChangedPasses(*planned->plan, names), policy.renders);
  planned->storing = plan::ChooseStoring(*planned->plan, planned->probed, rules);
  for (size_t i = 0; i < planned->storing.size(); ++i) {
    plan::Probed::State& state = planned->probed.state[i];
    // What it shows is known, but now its tiles are wanted.
    if (state == plan::Probed::kKnown && planned->storing[i] != Storing::kHandedOn) state = plan::Probed::kRender;
    planned->hits += state == plan::Probed::kHit || state == plan::Probed::kKnown;
    planned->misses += state == plan::Probed::kRender;
  }
  planned->pins = std::make_shared<PlanPins>(planned->plan, planned->probed, planned->storing);
}

// What would be stored of each pass, in the order in which it was decided.
void AddStoring(const Planned& planned, std::vector<PassPlan>* passes) {
  std::map<std::string, PassPlan*> line_of;
  for (PassPlan& pass : *passes) line_of[pass.pass()] = &pass;
  for (size_t i = 0; i < planned.storing.size(); ++i) {
    if (planned.probed.state[i] != plan::Probed::kRender) continue;
    const auto pass = line_of.find(planned.plan->tasks[i].pass);
    if (pass != line_of.end()) plan::CountStoring(planned.storing[i], pass->second->mutable_storing());
  }
}

void FindRenamed(const std::vector<NameRecord>& names, Planned* planned) {
  std::map<std::tuple<std::string, uint32_t, int32_t>, const NameRecord*> known;
  for (const NameRecord& n : names) known[{n.pass, n.segment, n.frame}] = &n;
  for (size_t i = 0; i < planned->plan->tasks.size(); ++i) {
    const plan::PlannedTask& task = planned->plan->tasks[i];
    if (planned->probed.state[i] == plan::Probed::kRender || task.pass == "look") continue;
    auto name = known.find({task.pass, task.segment, task.frame});
    if (name == known.end() || name->second->key != task.key) planned->renamed.push_back(i);
  }
}

void AddReasons(std::vector<NameRecord> names, const Epochs::Snapshot& epochs, Explain explain, int64_t now_unix_ms,
                ResultIndex& index, const GivenUp& given_up, Planned* planned) {
  plan::Remembered before;
  before.names = std::move(names);
  before.ingredients = [&](const NameRecord& name) -> std::optional<Ingredients> {
    const auto text = index.FindValue(state::IngredientsName(name));
    Ingredients made_of;
    if (!text.ok() || !*text || !made_of.ParseFromString(**text)) return std::nullopt;
    return made_of;
  };
  before.damaged = [&](const ResultKey& key) {
    const auto value = index.FindValue(DamagedName(key));
    return value.ok() && value->has_value();
  };
  before.give_up = given_up;
  before.invalidation = [&](uint64_t epoch) { return epochs.InWords(epoch, now_unix_ms); };
  const Round& round = *planned->round;
  if (explain == Explain::kPasses) {
    planned->reasons = plan::ExplainPlan(*round.stack, *planned->plan, planned->probed, before);
    AddStoring(*planned, &planned->reasons);
  } else {
    planned->why = plan::ExplainTargets(*round.stack, *planned->plan, round.targets, planned->probed, before);
  }
}

}  // namespace

absl::StatusOr<std::shared_ptr<const Planned>> MakePlan(std::shared_ptr<const Round> round,
                                                        const Epochs::Snapshot& epochs, Explain explain,
                                                        int64_t now_unix_ms, ResultIndex& index, Evictor& evictor,
                                                        const GivenUp& given_up, const plan::Limits& limits,
                                                        const StoringPolicy& storing) {
  auto planned = std::make_shared<Planned>();
  planned->round = std::move(round);
  planned->epoch = epochs.newest();
  const Round& r = *planned->round;
  const plan::FactsOf facts = [&](const std::string& path) -> const PlateFacts* {
    auto it = r.facts.find(path);
    return it == r.facts.end() ? nullptr : &it->second;
  };
  plan::BuildOptions options;
  options.epochs = [&](const std::string& pass, int32_t frame) { return epochs.Of(pass, frame); };
  options.disowned = [&](const ResultKey& key) { return epochs.OfKey(key); };
  options.limits = limits;
  options.give_up = given_up;
  ASSIGN_OR_RETURN(plan::Plan built, plan::BuildPlan(*r.stack, r.targets, r.files, facts, options));
  planned->plan = std::make_shared<const plan::Plan>(std::move(built));
  if (!planned->plan->errors.empty()) return planned;
  ASSIGN_OR_RETURN(auto names, NamesBefore(*planned->plan, index));
  RETURN_IF_ERROR(PinAndProbe(planned.get(), index, evictor));
  Choose(names, storing, planned.get());
  FindRenamed(names, planned.get());
  if (explain != Explain::kNothing) {
    AddReasons(std::move(names), epochs, explain, now_unix_ms, index, given_up, planned.get());
  }
  return planned;
}

}  // namespace selvage
