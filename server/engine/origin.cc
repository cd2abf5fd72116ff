#include "server/engine/origin.h"

#include <map>
#include <optional>
#include <set>

#include "proto/version.h"
#include "server/engine/state_format.h"

namespace selvage {
namespace {

// Of the proto.
constexpr int kMostSources = 1000;

// Facts of plates as they were when they were read last, whatever lies there now.
class RememberedFacts {
 public:
  RememberedFacts(const OriginRequest& request, const Tools& tools) : request_(request), tools_(tools) {}

  const PlateFacts* Of(const std::string& path) {
    auto [it, is_new] = known_.try_emplace(path);
    if (is_new) it->second = Find(path);
    return it->second ? &*it->second : nullptr;
  }

 private:
  std::optional<PlateFacts> Find(const std::string& path) const {
    if (request_.round != nullptr) {
      const auto found = request_.round->facts.find(path);
      if (found != request_.round->facts.end()) return found->second;
    }
    const auto value = tools_.cache.index->FindValue(state::FactsName(path));
    PlateFacts facts;
    if (!value.ok() || !*value || !facts.ParseFromString(**value)) return std::nullopt;
    return facts;
  }

  const OriginRequest& request_;
  const Tools& tools_;
  std::map<std::string, std::optional<PlateFacts>> known_;
};

}  // namespace

FileOrigin OriginOf(const OriginRequest& request, const Tools& tools) {
  const Stack& stack = *request.stack;
  FileOrigin origin;
  origin.set_stack_name(stack.name());
  origin.set_version(request.version);
  origin.set_key(request.key.digest.str());
  origin.set_made_by(kVersion);

  plan::Target target;
  target.deliverable = request.deliverable;
  target.frame = request.frame;
  RememberedFacts facts(request, tools);
  const auto exists = [&](const std::string& path) { return facts.Of(path) != nullptr || tools.roots.Stat(path).ok(); };
  const plan::Limits& limits = tools.options.limits;
  const auto files = plan::FindPlateFiles(stack, {target}, exists, limits);
  if (!files.ok() || !files->errors.empty()) return origin;
  plan::BuildOptions options;
  options.epochs = [&](const std::string& pass, int32_t frame) { return request.epochs.Of(pass, frame); };
  options.disowned = [&](const ResultKey& key) { return request.epochs.OfKey(key); };
  options.limits = limits;
  const auto plan = plan::BuildPlan(
      stack, {target}, *files, [&](const std::string& path) { return facts.Of(path); }, options);
  if (!plan.ok() || !plan->errors.empty() || plan->targets.size() != 1 || plan->targets[0] != request.key) {
    return origin;
  }
  // One file of a plate may be found for its size alone.
  std::set<std::string> read;
  for (const plan::PlannedTask& task : plan->tasks) {
    for (const plan::PlannedInput& input : task.inputs) {
      if (input.plate != nullptr) read.insert(input.plate->path());
    }
  }
  for (const plan::PlateFile& file : files->files) {
    if (!read.contains(file.path)) continue;
    if (origin.source_size() == kMostSources) {
      origin.set_more_sources(origin.more_sources() + 1);
      continue;
    }
    FileOrigin::Source* source = origin.add_source();
    source->set_plate(stack.plate(file.plate).name());
    source->set_frame(file.frame);
    source->set_path(file.path);
    source->set_digest(facts.Of(file.path)->digest());
  }
  return origin;
}

}  // namespace selvage
