#include "server/engine/scheduler_job.h"

#include <algorithm>
#include <map>
#include <set>
#include <unordered_map>
#include <utility>

namespace selvage {
namespace {

using Places = std::unordered_map<ResultKey, uint32_t, DigestHash>;

Places PlacesOf(const plan::Plan& plan) {
  Places places;
  places.reserve(plan.tasks.size());
  for (uint32_t i = 0; i < plan.tasks.size(); ++i) places[plan.tasks[i].key] = i;
  return places;
}

// Tasks that each task reads, each once.
std::vector<std::vector<uint32_t>> InputsOf(const plan::Plan& plan, const Places& places) {
  std::vector<std::vector<uint32_t>> inputs(plan.tasks.size());
  for (size_t i = 0; i < plan.tasks.size(); ++i) {
    for (const plan::PlannedInput& in : plan.tasks[i].inputs) {
      if (!in.result) continue;
      if (const auto it = places.find(*in.result); it != places.end()) inputs[i].push_back(it->second);
    }
    std::sort(inputs[i].begin(), inputs[i].end());
    inputs[i].erase(std::unique(inputs[i].begin(), inputs[i].end()), inputs[i].end());
  }
  return inputs;
}

// Rank of a task: that of the first frame which needs it.
std::vector<uint32_t> RanksOf(const Planned& planned, const Places& places,
                              const std::vector<std::vector<uint32_t>>& inputs) {
  const std::vector<plan::Target>& targets = planned.round->targets;
  const plan::Plan& plan = *planned.plan;
  std::set<int32_t> frames;
  for (const plan::Target& t : targets) frames.insert(t.frame);
  std::map<int32_t, uint32_t> rank_of;
  for (int32_t f : frames) rank_of.emplace(f, static_cast<uint32_t>(rank_of.size()));
  std::vector<uint32_t> rank(plan.tasks.size(), UINT32_MAX);
  for (size_t i = 0; i < plan.targets.size() && i < targets.size(); ++i) {
    const auto it = places.find(plan.targets[i]);
    if (it != places.end()) rank[it->second] = std::min(rank[it->second], rank_of[targets[i].frame]);
  }
  // Inputs come before their users.
  for (size_t i = plan.tasks.size(); i-- > 0;) {
    for (const uint32_t input : inputs[i]) rank[input] = std::min(rank[input], rank[i]);
  }
  return rank;
}

// Lines in the order of the stack, then deliverables and the rest.
std::map<std::string, uint32_t> AddLines(const Planned& planned, std::vector<std::string>* lines) {
  std::set<std::string> used;
  for (const plan::PlannedTask& t : planned.plan->tasks) used.insert(t.pass);
  std::map<std::string, uint32_t> group;
  const auto add = [&](const std::string& pass) {
    if (used.count(pass) && group.emplace(pass, static_cast<uint32_t>(lines->size())).second) lines->push_back(pass);
  };
  for (const Pass& p : planned.round->stack->pass()) add(p.name());
  for (const plan::PlannedTask& t : planned.plan->tasks) add(t.pass);
  return group;
}

sched::Known KnownOf(plan::Probed::State state) {
  switch (state) {
    case plan::Probed::kHit:
      return sched::Known::kHit;
    // The scheduler asks once more when its inputs are there.
    case plan::Probed::kKnown:
    case plan::Probed::kRender:
      return sched::Known::kRender;
    case plan::Probed::kNotNeeded:
      return sched::Known::kNotNeeded;
  }
  return sched::Known::kRender;
}

}  // namespace

SchedulerJob ToSchedulerJob(const Planned& planned) {
  const plan::Plan& plan = *planned.plan;
  const Places places = PlacesOf(plan);
  std::vector<std::vector<uint32_t>> inputs = InputsOf(plan, places);
  const std::vector<uint32_t> rank = RanksOf(planned, places, inputs);
  SchedulerJob out;
  std::map<std::string, uint32_t> group = AddLines(planned, &out.lines);
  out.job.groups = static_cast<uint32_t>(out.lines.size());
  out.job.tasks.resize(plan.tasks.size());
  for (uint32_t i = 0; i < plan.tasks.size(); ++i) {
    sched::NewTask& t = out.job.tasks[i];
    t.key = plan.tasks[i].key;
    t.group = group[plan.tasks[i].pass];
    t.order = (uint64_t{rank[i]} << 32) + i;
    t.inputs = std::move(inputs[i]);
    t.known = KnownOf(planned.probed.state[i]);
    t.stored = planned.storing[i] != Storing::kHandedOn;
  }
  return out;
}

SchedulerJob ToSchedulerJob(const Round& round, std::vector<Uninspected>* files) {
  SchedulerJob out;
  std::map<int, uint32_t> line_of;
  std::set<ResultKey> once;
  for (const Uninspected& u : round.uninspected) {
    auto [line, is_new] = line_of.emplace(u.file.plate, static_cast<uint32_t>(out.lines.size()));
    if (is_new) out.lines.push_back("plate " + round.stack->plate(u.file.plate).name());
    sched::NewTask t;
    t.key = InspectionKey(u.file.path, u.state);
    if (!once.insert(t.key).second) continue;
    t.group = line->second;
    const auto frame = static_cast<uint64_t>(static_cast<int64_t>(u.file.frame) - INT32_MIN);
    t.order = (frame << 32) + out.job.tasks.size();
    out.job.tasks.push_back(std::move(t));
    files->push_back(u);
  }
  out.job.groups = static_cast<uint32_t>(out.lines.size());
  return out;
}

}  // namespace selvage
