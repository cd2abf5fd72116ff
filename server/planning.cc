#include "server/planning.h"

#include <algorithm>
#include <set>
#include <tuple>
#include <unordered_map>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "cache/format.h"
#include "server/plan/explain.h"
#include "server/plan/ingredients.h"

namespace selvage {

namespace {

constexpr size_t kMaxErrors = 50;
// Up to so many tasks, names are looked up one by one: a stack may have a
// million, of which a look or a `why` needs forty.
constexpr size_t kFewTasks = 4096;
// Segments that a pass may have had more than now.
constexpr uint32_t kFormerSegments = 4;

void AddError(std::vector<StackError>* errors, const std::string& path, const std::string& message) {
  if (errors->size() >= kMaxErrors) return;
  StackError e;
  e.set_path(path);
  e.set_message(message);
  errors->push_back(std::move(e));
}

}  // namespace

std::string FactsName(const std::string& path) { return "plate/" + path; }

bool SameFile(const PlateFacts& f, const FileState& s) {
  return f.size() == s.size && f.mtime_ns() == s.mtime_ns && f.inode() == s.inode;
}

bool WorthRemembering(const PlateFacts& facts, int64_t now_unix_ns) {
  // Clocks of file systems tick every 10 ms at worst, some only every 2 s.
  const bool coarse = facts.mtime_ns() % 1'000'000'000 == 0;
  return now_unix_ns - facts.mtime_ns() > (coarse ? 2'000'000'000 : 50'000'000);
}

ResultKey InspectionKey(const std::string& path, const FileState& s) {
  return {Sha256(absl::StrCat("selvage inspection\n", s.size, " ", s.mtime_ns, " ", s.inode, " ", path))};
}

absl::StatusOr<FoundFiles> FindFiles(const Stack& stack, const std::vector<plan::Target>& targets, const Roots& roots,
                                     const Facts& fresh, ResultIndex& index) {
  FoundFiles found;
  found.errors = plan::Validate(stack);
  if (!found.errors.empty()) return found;
  if (auto error = plan::TooCostly(plan::PriceOf(stack, targets), plan::Limits())) found.errors.push_back(*error);
  if (!found.errors.empty()) return found;
  found.targets = targets.empty() ? plan::DeliverableTargets(stack) : targets;

  std::map<std::string, absl::StatusOr<FileState>> seen;
  const auto look = [&](const std::string& path) -> const absl::StatusOr<FileState>& {
    auto it = seen.find(path);
    if (it == seen.end()) it = seen.emplace(path, roots.Look(path)).first;
    return it->second;
  };
  // One that we may not read "exists", so that the reason given is the right one.
  ASSIGN_OR_RETURN(found.files, plan::FindPlateFiles(stack, found.targets, [&](const std::string& path) {
                     const auto& state = look(path);
                     return state.ok() || absl::IsPermissionDenied(state.status());
                   }));
  std::set<int> refused;
  for (const plan::PlateFile& f : found.files.files) {
    if (!absl::IsPermissionDenied(look(f.path).status()) || !refused.insert(f.plate).second) continue;
    AddError(&found.errors, absl::StrCat("plate[", f.plate, "].files"),
             absl::StrCat("plate \"", stack.plate(f.plate).name(), "\": \"", f.path,
                          "\" is outside the folders that the daemon may read; its --root folders: ", roots.Names()));
  }
  for (const StackError& e : found.files.errors) AddError(&found.errors, e.path(), e.message());
  if (!found.errors.empty()) return found;

  std::set<std::string> asked;
  for (const plan::PlateFile& f : found.files.files) {
    if (!asked.insert(f.path).second) continue;
    const auto& state = look(f.path);
    if (!state.ok()) continue;
    auto known = fresh.find(f.path);
    if (known != fresh.end() && SameFile(known->second, *state)) {
      found.facts[f.path] = known->second;
      continue;
    }
    ASSIGN_OR_RETURN(const std::optional<std::string> value, index.FindValue(FactsName(f.path)));
    PlateFacts facts;
    if (value && facts.ParseFromString(*value) && SameFile(facts, *state) && facts.has_encoding()) {
      found.facts[f.path] = std::move(facts);
    } else {
      found.uninspected.push_back({f, *state});
    }
  }
  return found;
}

namespace {

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

}  // namespace

std::string IngredientsName(const NameRecord& n) {
  return "made-of/" + format::NameKey(n.stack, n.pass, n.segment, n.frame);
}

void AddName(const plan::Plan& plan, const plan::PlannedTask& task, IndexBatch* batch) {
  // A look is nobody's result.
  if (task.pass == "look") return;
  NameRecord name = NameOf(plan, task);
  batch->values.emplace_back(IngredientsName(name), plan::IngredientsOf(plan, task).SerializeAsString());
  batch->names.push_back(std::move(name));
}

NameRecord NameOf(const plan::Plan& plan, const plan::PlannedTask& task) {
  NameRecord n;
  n.stack = plan.stack_name;
  n.pass = task.pass;
  n.segment = task.segment;
  n.frame = task.frame;
  n.key = task.key;
  n.recipe = task.recipe;
  return n;
}

absl::StatusOr<Planned> MakePlan(const Stack& stack, const std::vector<plan::Target>& targets, const FoundFiles& found,
                                 const Epochs& epochs, Explain explain, ResultIndex& index, Evictor& evictor) {
  Planned planned;
  planned.epoch = epochs.Newest(stack.name());
  const plan::FactsOf facts = [&](const std::string& path) -> const PlateFacts* {
    auto it = found.facts.find(path);
    return it == found.facts.end() ? nullptr : &it->second;
  };
  plan::BuildOptions options;
  options.epochs = [&](const std::string& pass, int32_t frame) { return epochs.Of(stack.name(), pass, frame); };
  options.disowned = [&](const ResultKey& key) { return epochs.OfKey(key); };
  ASSIGN_OR_RETURN(plan::Plan built, plan::BuildPlan(stack, targets, found.files, facts, options));
  auto plan = std::make_shared<plan::Plan>(std::move(built));
  planned.plan = plan;
  if (!plan->errors.empty()) return planned;
  // Pinned first, then looked up: what is found stays.
  std::vector<ResultKey> keys, unneeded;
  keys.reserve(plan->tasks.size());
  for (const plan::PlannedTask& t : plan->tasks) keys.push_back(t.key);
  evictor.Pin(keys);
  auto probed = plan::Probe(*plan, index);
  auto names = NamesBefore(*plan, index);
  if (!probed.ok() || !names.ok()) {
    evictor.Unpin(keys);
    return probed.ok() ? names.status() : probed.status();
  }
  planned.probed = *std::move(probed);
  for (plan::Probed::State s : planned.probed.state) {
    planned.hits += s == plan::Probed::kHit;
    planned.misses += s == plan::Probed::kRender;
  }
  for (size_t i = 0; i < keys.size(); ++i) {
    if (planned.probed.state[i] == plan::Probed::kNotNeeded) unneeded.push_back(keys[i]);
  }
  evictor.Unpin(unneeded);
  planned.pins = std::make_shared<PlanPins>(planned.plan, planned.probed);

  std::map<std::tuple<std::string, uint32_t, int32_t>, const NameRecord*> known;
  for (const NameRecord& n : *names) known[{n.pass, n.segment, n.frame}] = &n;
  for (size_t i = 0; i < plan->tasks.size(); ++i) {
    const plan::PlannedTask& task = plan->tasks[i];
    if (planned.probed.state[i] == plan::Probed::kRender || task.pass == "look") continue;
    auto name = known.find({task.pass, task.segment, task.frame});
    if (name == known.end() || name->second->key != task.key) planned.renamed.push_back(i);
  }
  if (explain == Explain::kNothing) return planned;
  plan::Remembered before;
  before.names = *std::move(names);
  before.ingredients = [&](const NameRecord& name) -> std::optional<Ingredients> {
    const auto text = index.FindValue(IngredientsName(name));
    Ingredients made_of;
    if (!text.ok() || !*text || !made_of.ParseFromString(**text)) return std::nullopt;
    return made_of;
  };
  before.damaged = [&](const ResultKey& key) {
    const auto value = index.FindValue(DamagedName(key));
    return value.ok() && value->has_value();
  };
  before.invalidation = [&](uint64_t epoch) { return epochs.InWords(epoch); };
  if (explain == Explain::kPasses) planned.reasons = plan::ExplainPlan(stack, *plan, planned.probed, before);
  if (explain == Explain::kTargets) planned.why = plan::ExplainTargets(stack, *plan, targets, planned.probed, before);
  return planned;
}

sched::NewJob ToSchedulerJob(const Stack& stack, const std::vector<plan::Target>& targets, const Planned& planned,
                             std::vector<std::string>* lines) {
  const plan::Plan& plan = *planned.plan;
  std::unordered_map<ResultKey, uint32_t, DigestHash> where;
  where.reserve(plan.tasks.size());
  for (uint32_t i = 0; i < plan.tasks.size(); ++i) where[plan.tasks[i].key] = i;

  // Rank of a task: that of the first frame which needs it.
  std::set<int32_t> frames;
  for (const plan::Target& t : targets) frames.insert(t.frame);
  std::map<int32_t, uint32_t> rank_of;
  for (int32_t f : frames) rank_of.emplace(f, static_cast<uint32_t>(rank_of.size()));
  std::vector<uint32_t> rank(plan.tasks.size(), UINT32_MAX);
  for (size_t i = 0; i < plan.targets.size() && i < targets.size(); ++i) {
    auto it = where.find(plan.targets[i]);
    if (it != where.end()) rank[it->second] = std::min(rank[it->second], rank_of[targets[i].frame]);
  }
  std::vector<std::vector<uint32_t>> inputs(plan.tasks.size());
  for (uint32_t i = static_cast<uint32_t>(plan.tasks.size()); i-- > 0;) {
    for (const plan::PlannedInput& in : plan.tasks[i].inputs) {
      if (!in.result) continue;
      auto it = where.find(*in.result);
      if (it == where.end()) continue;
      inputs[i].push_back(it->second);
      rank[it->second] = std::min(rank[it->second], rank[i]);
    }
    std::sort(inputs[i].begin(), inputs[i].end());
    inputs[i].erase(std::unique(inputs[i].begin(), inputs[i].end()), inputs[i].end());
  }

  // Lines in the order of the stack, then deliverables and the rest.
  std::set<std::string> used;
  for (const plan::PlannedTask& t : plan.tasks) used.insert(t.pass);
  std::map<std::string, uint32_t> group;
  const auto add_line = [&](const std::string& pass) {
    if (used.count(pass) && group.emplace(pass, static_cast<uint32_t>(lines->size())).second) lines->push_back(pass);
  };
  for (const Pass& p : stack.pass()) add_line(p.name());
  for (const plan::PlannedTask& t : plan.tasks) add_line(t.pass);

  sched::NewJob job;
  job.groups = static_cast<uint32_t>(lines->size());
  job.tasks.resize(plan.tasks.size());
  for (uint32_t i = 0; i < plan.tasks.size(); ++i) {
    sched::NewTask& t = job.tasks[i];
    t.key = plan.tasks[i].key;
    t.group = group[plan.tasks[i].pass];
    t.order = (uint64_t{rank[i]} << 32) + i;
    t.inputs = std::move(inputs[i]);
    switch (planned.probed.state[i]) {
      case plan::Probed::kHit:
        t.known = sched::Known::kHit;
        break;
      case plan::Probed::kRender:
        t.known = sched::Known::kRender;
        break;
      case plan::Probed::kNotNeeded:
        t.known = sched::Known::kNotNeeded;
        break;
    }
  }
  return job;
}

}  // namespace selvage
