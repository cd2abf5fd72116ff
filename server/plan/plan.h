// From a stack to tasks. Pure: no gRPC, no disk, no clock, no pixels.
//
//   Validate -> PriceOf -> FindPlateFiles -> (facts come in) -> BuildPlan -> Probe -> scheduler
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "proto/digest.h"
#include "proto/farm.pb.h"
#include "proto/job.pb.h"
#include "proto/stack.pb.h"
#include "server/plan/at_frame.h"

namespace selvage::plan {

// What a stack may ask for. Exceeding one is an error that names it.
struct Limits {
  int frames = 100'000;
  int passes = 4'096;
  int steps_per_pass = 256;
  int plates = 256;
  int masks = 1'024;
  int deliverables = 64;
  int64_t format_pixels = int64_t{1} << 28;
  // What a plan may cost, at about 1 KB a task. What else is counted grows with it.
  int64_t tasks = 2'000'000;
  int64_t inputs() const { return 8 * tasks; }
  int64_t moving_steps() const { return 4 * tasks; }
  int64_t files() const { return tasks / 2; }
  int64_t mask_numbers() const { return 500 * tasks; }
  // At one frame: they reach a worker in one message.
  int64_t numbers_of_a_mask = 1'000'000;
};

// Everything that can be said without looking at files: names, kinds, arity,
// ranges, NaN, cycles, windows, key-frame order, SVG paths, file patterns,
// paths under the roots as text. At most 50 errors, in the order of the stack.
std::vector<StackError> Validate(const Stack& stack, const Limits& limits = {});

// One file that a stack reads.
struct PlateFile {
  int plate = 0;  // index in Stack.plate
  int32_t frame = 0;
  std::string path;
};

// Files that the passes above the targets need (deliverables of the stack, or
// the given extra target), windows included. `exists` answers for a path; it is
// how HOLD finds the frame to hold, and how a missing file becomes an error.
// REQUIRES: Validate found nothing.
struct Target {
  // A deliverable by name, or a pass, plate or mask with an internal step that
  // makes a blob of it (look), or a pass by `source` alone: what it stands for,
  // at that frame.
  std::string deliverable;
  std::string source;
  std::optional<Step> look;
  int32_t frame = 0;
};
std::vector<Target> DeliverableTargets(const Stack& stack);
// The pass, or "deliver NAME", at all frames of the stack at which it can be
// asked for. Empty if there is no such pass. REQUIRES: Validate found nothing.
std::vector<Target> PassTargets(const Stack& stack, const std::string& pass);

// What a plan would cost, known from the stack alone before anything of it is paid.
struct Price {
  int64_t frames = 0, deliverables = 0;
  int64_t tasks = 0;
  // That the tasks read.
  int64_t inputs = 0;
  // Steps with key frames, worked out at each frame.
  int64_t moving_steps = 0;
  // Of plates.
  int64_t files = 0;
  // Numbers in the curves of masks: points x instants of the shutter x frames.
  int64_t mask_numbers = 0;
  // The mask with the most of them at one frame, and how many.
  int largest_mask = -1;
  std::string largest_mask_name;
  int64_t largest_mask_frames = 0, largest_mask_instants = 0, largest_mask_numbers = 0;
};
// For all deliverables if no targets are given. REQUIRES: Validate found nothing.
Price PriceOf(const Stack& stack, const std::vector<Target>& targets);
// What is too much of it, in one sentence that says what to do.
std::optional<StackError> TooCostly(const Price& price, const Limits& limits);

// Asked every few milliseconds during what may take longer: true ends it.
using GiveUp = std::function<bool()>;

struct PlateFiles {
  std::vector<PlateFile> files;
  std::vector<StackError> errors;
};
// Errors: CANCELLED  given up.
absl::StatusOr<PlateFiles> FindPlateFiles(const Stack& stack, const std::vector<Target>& targets,
                                          const std::function<bool(const std::string& path)>& exists,
                                          const Limits& limits = {}, const GiveUp& give_up = {});

// Facts of the files found, by path.
using FactsOf = std::function<const PlateFacts*(const std::string& path)>;
// Journal numbers of the newest invalidations of a pass at a frame, 0 if none.
struct Epoch {
  Epoch(uint64_t own = 0, uint64_t with_below = 0) : own(own), with_below(with_below) {}
  uint64_t own;
  // Of those that reach everything below as well.
  uint64_t with_below;
};
using EpochOf = std::function<Epoch(const std::string& pass, int32_t frame)>;
// The same of one result: a worker made it whose work is not trusted.
using EpochOfKey = std::function<Epoch(const ResultKey& key)>;

struct PlannedInput {
  int step = -1;
  std::string port;
  int frame_offset = 0;
  std::string name;
  // Exactly one of the three: the result of a task, a plate frame, a mask.
  std::optional<ResultKey> result;
  std::shared_ptr<const PlateRead> plate;
  AtFrame<ResolvedMask> mask;
};

struct PlannedTask {
  ResultKey key;
  // Digest of the segment's own recipe: operators, revisions, resolved
  // parameters, epoch, format, plates and masks, without the results it reads.
  Digest recipe;
  // The same without what the masks show, for tile keys. Equal to the recipe
  // where there is no mask.
  Digest tile_recipe;
  std::string pass;  // "core", or "deliver comp", "look"
  int32_t frame = 0;
  uint32_t segment = 0;  // position of the segment in its pass
  uint32_t first_step = 0;
  AtFrame<std::vector<Step>> steps;
  std::vector<PlannedInput> inputs;
  Pass::Keep keep = Pass::AUTO;
  // The newest invalidation that it heeds; part of `recipe`.
  uint64_t epoch = 0;
};

struct Plan {
  // At the size that is rendered: see `proxy`.
  Format format;
  // That results are remembered by (HistoryName): that of the stack, and its size where that
  // is not the full one.
  std::string stack_name;
  // Stack.proxy.
  uint32_t proxy = 1;
  // Each key once, inputs before their users.
  std::vector<PlannedTask> tasks;
  // Keys that the targets stand for, in the order of the targets.
  std::vector<ResultKey> targets;
  std::vector<StackError> errors;  // faults that only the plates show
  // What the stack alone tells, and is no fault.
  std::vector<Warning> warnings;
};

struct BuildOptions {
  EpochOf epochs;
  EpochOfKey disowned;
  Limits limits;
  GiveUp give_up;
};
// Errors: CANCELLED  given up.
absl::StatusOr<Plan> BuildPlan(const Stack& stack, const std::vector<Target>& targets, const PlateFiles& files,
                               const FactsOf& facts, const BuildOptions& options = {});

// Trace key: own recipe and the content digests of the results it reads, in
// input order. Equal trace keys give equal pixels.
Digest TraceKey(const PlannedTask& task, const std::vector<Digest>& input_contents);

// What of a plan is in the cache (server/engine/probe.h finds out).
struct Probed {
  // kKnown: a task that is rendered reads it, and it is known what it shows, but its
  // tiles were not stored.
  enum State : uint8_t { kNotNeeded, kHit, kRender, kKnown };
  std::vector<State> state;                                 // one a task
  std::vector<std::shared_ptr<const ResultRecord>> record;  // of those that are known
};

// Task for a worker. `manifest_of` gives the manifests of the results it reads; inputs
// for which it gives none are left open, in the order of task.inputs.
TaskSpec MakeTaskSpec(const Plan& plan, const PlannedTask& task,
                      const std::function<const Manifest*(const ResultKey&)>& manifest_of);

}  // namespace selvage::plan
