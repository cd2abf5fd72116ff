// Recipes, keys and tasks, frame by frame.
#include <algorithm>
#include <map>
#include <optional>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "server/plan/cut.h"
#include "server/plan/key.h"
#include "server/plan/mask_resolver.h"
#include "server/plan/plate_facts.h"
#include "server/plan/price.h"
#include "server/plan/proxy.h"
#include "server/plan/target_step.h"

namespace selvage::plan {
namespace {

class Builder {
 public:
  Builder(const Stack& stack, const std::vector<Target>& targets, StackCut cut, Demand demand, PlateTable plates,
          const BuildOptions& options, Plan* plan)
      : stack_(stack),
        targets_(targets),
        cut_(std::move(cut)),
        demand_(std::move(demand)),
        plates_(std::move(plates)),
        options_(options),
        plan_(plan),
        masks_(stack.mask_size()),
        task_of_(cut_.segments.size()) {}

  // False if it was given up.
  bool Build() {
    for (size_t s = 0; s < cut_.segments.size(); ++s) {
      if (!BuildSegment(cut_.segments[s], demand_.segment[s], &task_of_[s])) return false;
    }
    for (size_t i = 0; i < targets_.size(); ++i) {
      plan_->targets.push_back(plan_->tasks[TaskAt(cut_.target_segment[i], targets_[i].frame)].key);
    }
    return OrderByFrame();
  }

 private:
  bool GivenUp() const { return options_.give_up && options_.give_up(); }

  std::shared_ptr<const StepSource> StepsOf(const Segment& segment, const FrameSet& frames) const {
    if (segment.follow.does != FollowPart::kNothing) {
      return std::make_shared<FollowSteps>(stack_.mask(segment.follow.mask), segment.follow);
    }
    if (segment.metadata_plate < 0) return std::make_shared<StepResolver>(segment.steps);
    auto steps = std::make_shared<DeliverSteps>(segment.steps);
    for (int64_t i = 0; i < frames.size(); ++i) {
      steps->Add(frames[i], AtThatSize(plates_.At(segment.metadata_plate, frames[i]).metadata));
    }
    return steps;
  }

  // What a plate's file says of its picture, of a picture of the plan's size.
  std::shared_ptr<const FileMetadata> AtThatSize(std::shared_ptr<const FileMetadata> m) const {
    if (m == nullptr || plan_->proxy == 1 || (m->origin_x() == 0 && m->origin_y() == 0)) return m;
    auto reduced = std::make_shared<FileMetadata>(*m);
    reduced->set_origin_x(m->origin_x() / static_cast<int32_t>(plan_->proxy));
    reduced->set_origin_y(m->origin_y() / static_cast<int32_t>(plan_->proxy));
    return reduced;
  }

  bool BuildSegment(const Segment& segment, const FrameSet& frames, std::vector<int>* tasks) {
    if (frames.empty()) return true;
    const std::shared_ptr<const StepSource> steps = StepsOf(segment, frames);
    const int64_t count = frames.size();
    tasks->assign(static_cast<size_t>(count), -1);
    for (int64_t k = 0; k < count; ++k) {
      if (GivenUp()) return false;
      // What is carried backward reads itself at the frame after.
      const int64_t i = segment.follow.does == FollowPart::kBackward ? count - 1 - k : k;
      (*tasks)[static_cast<size_t>(i)] = AddTask(segment, frames[i], steps);
    }
    return true;
  }

  // REQUIRES: the demand has that frame.
  int TaskAt(int segment, int32_t frame) const {
    return task_of_[segment][static_cast<size_t>(demand_.segment[segment].PositionOf(frame))];
  }

  // A mask, and what it shows at the frames at which it was asked for: several passes
  // may read it.
  struct ReadMask {
    std::shared_ptr<const MaskResolver> resolver;
    absl::flat_hash_map<int32_t, Digest> content;
  };
  ReadMask& MaskOf(const Source& source) {
    ReadMask& mask = masks_[source.index];
    if (mask.resolver == nullptr) mask.resolver = std::make_shared<MaskResolver>(stack_.mask(source.index));
    return mask;
  }
  const Digest& MaskContent(const Source& source, int32_t frame) {
    ReadMask& mask = MaskOf(source);
    auto [it, is_new] = mask.content.try_emplace(frame);
    if (is_new) it->second = mask.resolver->DigestAt(frame);
    return it->second;
  }

  // One input, as a worker needs it and as the recipe sees it.
  void AddInput(const Source& source, int step, const std::string& port, const std::string& keyed_port, int32_t frame,
                int offset) {
    PlannedInput in;
    in.step = step;
    in.port = port;
    in.frame_offset = offset;
    in.name = source.name;
    RecipeInput seen{step, keyed_port, offset, InputType::kResult, {}};
    switch (source.type) {
      case Source::kSegment: {
        const int task = TaskAt(source.index, frame);
        in.result = plan_->tasks[task].key;
        with_below_ = std::max(with_below_, epoch_with_below_[task]);
        break;
      }
      case Source::kPlate: {
        const PlateTable::Entry& entry = plates_.At(source.index, frame);
        if (entry.read == nullptr) return ReportUnknown(source, frame);
        in.plate = entry.read;
        seen.type = InputType::kPlate;
        seen.content = entry.content;
        break;
      }
      case Source::kMask: {
        in.mask = MaskAt(MaskOf(source).resolver, frame);
        seen.type = InputType::kMask;
        seen.content = MaskContent(source, frame);
        break;
      }
      case Source::kNone:
        return;
    }
    if (in.result) results_.push_back(*in.result);
    inputs_.push_back(std::move(in));
    recipe_.push_back(seen);
  }

  // The caller's files were found for other targets.
  void ReportUnknown(const Source& plate, int32_t frame) {
    if (!plan_->errors.empty()) return;
    StackError& e = plan_->errors.emplace_back();
    e.set_path(absl::StrCat("plate[", plate.index, "].files"));
    e.set_message(absl::StrCat("plate \"", plate.name, "\": frame ", frame, " was not looked for"));
  }

  // What a source is at a frame: equal where it is the same picture.
  Digest IdOf(const Source& source, int32_t frame) {
    switch (source.type) {
      case Source::kSegment:
        return plan_->tasks[TaskAt(source.index, frame)].key.digest;
      case Source::kPlate:
        return plates_.At(source.index, frame).content;
      case Source::kMask:
        return MaskContent(source, frame);
      case Source::kNone:
        break;
    }
    return {};
  }

  // Offsets of the frames around that a window reads, nearest first. One that is
  // the same picture as one already there (a held frame), in any of the inputs
  // read over the window, says nothing new: it would be averaged as if it were
  // independent. Nor does one to which no motion is known.
  std::vector<int> OffsetsOf(const Segment& s, int32_t frame) {
    std::vector<const Source*> sources = {&s.main};
    for (const SideInput& side : s.sides) {
      if (side.windowed) sources.push_back(&side.source);
    }
    std::map<std::pair<Source::Type, int>, std::vector<Digest>> seen;
    const auto is_new = [&](const Source& source, int32_t there) {
      std::vector<Digest>& before = seen[{source.type, source.index}];
      if (before.empty()) before.push_back(IdOf(source, frame));
      return std::find(before.begin(), before.end(), IdOf(source, there)) == before.end();
    };
    std::vector<int> offsets;
    for (int k = 1; k <= s.window; ++k) {
      for (int offset : {-k, k}) {
        if (!s.reach.Contains(int64_t{frame} + offset)) continue;
        std::vector<const Source*> over = sources;
        bool all_new = true;
        for (const SideInput& side : s.sides) {
          if (side.offset != offset) continue;
          over.push_back(&side.moves);
          all_new = all_new && side.at(frame);
        }
        for (const Source* source : over) all_new = all_new && is_new(*source, frame + offset);
        if (!all_new) continue;
        offsets.push_back(offset);
        for (const Source* source : over) seen[{source->type, source->index}].push_back(IdOf(*source, frame + offset));
      }
    }
    return offsets;
  }

  void CollectInputs(const Segment& s, int32_t frame) {
    static const std::string kMain = "in";
    inputs_.clear();
    recipe_.clear();
    results_.clear();
    with_below_ = 0;
    const std::vector<int> offsets = s.window > 0 ? OffsetsOf(s, frame) : std::vector<int>();
    inputs_.reserve(1 + offsets.size() + s.sides.size());
    AddInput(s.main, -1, kMain, kMain, frame, 0);
    for (int offset : offsets) AddInput(s.main, -1, kMain, kMain, frame + offset, offset);
    for (const SideInput& side : s.sides) {
      if (side.offset != 0 && std::find(offsets.begin(), offsets.end(), side.offset) == offsets.end()) continue;
      const std::optional<int32_t> at = side.at ? side.at(frame) : frame;
      if (!at) continue;
      const std::string& keyed = side.keyed_port.empty() ? side.port : side.keyed_port;
      AddInput(side.source, side.step, side.port, keyed, *at, 0);
      if (!side.windowed) continue;
      for (int offset : offsets) AddInput(side.source, side.step, side.port, keyed, frame + offset, offset);
    }
  }

  int AddTask(const Segment& s, int32_t frame, const std::shared_ptr<const StepSource>& source) {
    CollectInputs(s, frame);
    const Digest steps = source->DigestAt(frame);
    const Epoch own = s.heeds_epochs && options_.epochs ? options_.epochs(s.pass, frame) : Epoch();
    uint64_t with_below = std::max(own.with_below, with_below_);
    uint64_t epoch = std::max(own.own, with_below);
    Digest recipe = RecipeOf(plan_->format, steps, recipe_, epoch);
    ResultKey key = KeyOf(recipe, results_);
    // A disowned result is never asked for again: there is a newer one in its
    // place, which may have been disowned in turn.
    while (options_.disowned) {
      const Epoch newer = options_.disowned(key);
      if (newer.own <= epoch) break;
      epoch = newer.own;
      with_below = std::max(with_below, newer.with_below);
      recipe = RecipeOf(plan_->format, steps, recipe_, epoch);
      key = KeyOf(recipe, results_);
    }
    auto [it, is_new] = index_of_.try_emplace(key, static_cast<int>(plan_->tasks.size()));
    if (!is_new) {
      // The same work under another name: kept as long as the keener one asks.
      auto& keep = plan_->tasks[it->second].keep;
      if (s.keep == Pass::ALWAYS || (s.keep == Pass::AUTO && keep == Pass::NEVER)) keep = s.keep;
      return it->second;
    }
    PlannedTask& task = plan_->tasks.emplace_back();
    task.key = key;
    task.recipe = recipe;
    task.tile_recipe = recipe;
    if (std::any_of(recipe_.begin(), recipe_.end(),
                    [](const RecipeInput& in) { return in.type == InputType::kMask; })) {
      for (RecipeInput& in : recipe_) {
        if (in.type == InputType::kMask) in.content = Digest();
      }
      task.tile_recipe = RecipeOf(plan_->format, steps, recipe_, epoch);
    }
    task.pass = s.pass;
    task.frame = frame;
    task.segment = s.number;
    task.first_step = s.first_step;
    task.steps = StepsAt(source, frame);
    task.inputs = std::move(inputs_);
    task.keep = s.keep;
    task.epoch = epoch;
    epoch_with_below_.push_back(with_below);
    return it->second;
  }

  // Depth first from the targets by frame: work for the first frames comes
  // first. Inputs stay before their users.
  bool OrderByFrame() {
    std::vector<int> roots;
    for (const ResultKey& key : plan_->targets) roots.push_back(index_of_.at(key));
    std::vector<size_t> by_frame(targets_.size());
    for (size_t i = 0; i < by_frame.size(); ++i) by_frame[i] = i;
    std::stable_sort(by_frame.begin(), by_frame.end(),
                     [&](size_t a, size_t b) { return targets_[a].frame < targets_[b].frame; });

    std::vector<PlannedTask>& tasks = plan_->tasks;
    std::vector<uint8_t> seen(tasks.size(), 0);
    std::vector<int> order;
    order.reserve(tasks.size());
    std::vector<std::pair<int, size_t>> path;
    for (size_t t : by_frame) {
      if (GivenUp()) return false;
      if (seen[roots[t]]) continue;
      seen[roots[t]] = 1;
      path.push_back({roots[t], 0});
      while (!path.empty()) {
        auto& [task, next] = path.back();
        if (next == tasks[task].inputs.size()) {
          order.push_back(task);
          path.pop_back();
          continue;
        }
        const PlannedInput& in = tasks[task].inputs[next++];
        if (!in.result) continue;
        const int input = index_of_.at(*in.result);
        if (seen[input]) continue;
        seen[input] = 1;
        path.push_back({input, 0});
      }
    }
    std::vector<PlannedTask> ordered;
    ordered.reserve(order.size());
    for (int i : order) ordered.push_back(std::move(tasks[i]));
    tasks = std::move(ordered);
    return true;
  }

  const Stack& stack_;
  const std::vector<Target>& targets_;
  const StackCut cut_;
  const Demand demand_;
  const PlateTable plates_;
  const BuildOptions& options_;
  Plan* plan_;

  std::vector<ReadMask> masks_;
  // Parallel to Demand.segment: position in Plan.tasks.
  std::vector<std::vector<int>> task_of_;
  absl::flat_hash_map<ResultKey, int, DigestHash> index_of_;
  // Parallel to Plan.tasks: what those below inherit.
  std::vector<uint64_t> epoch_with_below_;

  // Of the task being made.
  std::vector<PlannedInput> inputs_;
  std::vector<RecipeInput> recipe_;
  std::vector<ResultKey> results_;
  // Inherited from its inputs.
  uint64_t with_below_ = 0;
};

}  // namespace

namespace {

// A window that is longer than what it moves over: nowhere is it whole.
std::vector<Warning> WarningsOnWindows(const StackCut& cut) {
  std::vector<Warning> warnings;
  for (const Segment& s : cut.segments) {
    if (s.window == 0 || s.steps.empty() || s.pass == "look" || s.reach.all()) continue;
    const int64_t there = int64_t{s.reach.last} - s.reach.first + 1, wanted = 2 * int64_t{s.window} + 1;
    if (there < 1 || there >= wanted) continue;
    Warning& r = warnings.emplace_back();
    r.set_pass(s.pass);
    r.set_frame(s.reach.first);
    r.set_text(absl::StrCat(OperatorOf(s.steps.back())->name, " with window ", s.window, " reads ", wanted,
                            " frames, but there ", there == 1 ? "is only frame " : "are only frames ", s.reach.first,
                            there == 1 ? "" : absl::StrCat("-", s.reach.last), ": it uses only those"));
  }
  return warnings;
}

}  // namespace

absl::StatusOr<Plan> BuildPlan(const Stack& stack, const std::vector<Target>& targets, const PlateFiles& files,
                               const FactsOf& facts, const BuildOptions& options) {
  Plan plan;
  plan.proxy = ProxyOf(stack);
  plan.stack_name = HistoryName(stack.name(), plan.proxy);
  plan.errors = files.errors;
  if (!plan.errors.empty()) return plan;
  StackCut cut = CutStack(stack, targets);
  plan.errors = cut.errors;
  if (!plan.errors.empty()) return plan;
  Demand demand = FindDemand(stack, targets, cut);
  if (auto error = TooCostly(PriceOf(stack, cut, demand), options.limits)) plan.errors.push_back(*std::move(error));
  if (!plan.errors.empty()) return plan;
  PlateTable plates(stack, files, facts, options.limits, &plan.errors);
  if (!plan.errors.empty()) return plan;
  const Format format = stack.has_format() ? stack.format() : plates.first_format();
  plan.format = Reduced(format, plan.proxy);
  plan.errors = CheckBoxes(stack, format);
  if (plan.errors.empty()) plan.errors = CheckProxy(stack, format);
  if (!plan.errors.empty()) return plan;
  plan.warnings = WarningsOnWindows(cut);
  // Faults, prices and files were those of the stack as written; from here on it is the one
  // that is rendered. Frames are the same, so what is demanded stays.
  std::optional<Stack> reduced;
  if (plan.proxy > 1) {
    reduced = Reduced(stack, format);
    std::vector<Target> reduced_targets = targets;
    for (Target& target : reduced_targets) target = Reduced(target, format, plan.proxy);
    cut = CutStack(*reduced, reduced_targets);
    plan.errors = cut.errors;
    if (!plan.errors.empty()) return plan;
  }
  Builder builder(reduced ? *reduced : stack, targets, std::move(cut), std::move(demand), std::move(plates), options,
                  &plan);
  if (!builder.Build()) return absl::CancelledError("cancelled: no request needs this plan");
  if (!plan.errors.empty()) {
    plan.tasks.clear();
    plan.targets.clear();
  }
  return plan;
}

}  // namespace selvage::plan
