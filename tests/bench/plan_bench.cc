// The planner at the size of what is allowed. README.md beside this says what came out.
#include <benchmark/benchmark.h>
#include <malloc.h>

#include <algorithm>
#include <chrono>

#include "absl/strings/str_cat.h"
#include "google/protobuf/text_format.h"
#include "server/plan/plan.h"

namespace selvage::plan {
namespace {

Stack Parse(int frames, const std::string& rest) {
  Stack stack;
  const std::string text =
      absl::StrCat("name: \"s\" frames { first: 1 last: ", frames,
                   " } format { width: 1920 height: 1080 } plate { name: \"plate\" files: \"/p.%d.exr\" } ", rest);
  if (!google::protobuf::TextFormat::ParseFromString(text, &stack)) std::abort();
  return stack;
}

std::string Deliver(int i, const std::string& from) {
  return absl::StrCat("deliver { name: \"d", i, "\" from: \"", from, "\" files: \"/o", i, ".%d.exr\" } ");
}

// One pass after the other, each a task of its own.
std::string Passes(int count, const std::string& step) {
  std::string text;
  for (int i = 0; i < count; ++i) {
    absl::StrAppend(&text, "pass { name: \"p", i, "\" from: \"", i == 0 ? "plate" : absl::StrCat("p", i - 1), "\" ",
                    step, " } ");
  }
  return text + Deliver(0, absl::StrCat("p", count - 1));
}

constexpr char kStill[] = "step { grade { stops { value: 1 } } }";
constexpr char kMoving[] = "step { grade { stops { at { frame: 1 value: 0 } at { frame: 100000 value: 9 } } } }";

PlateFacts Facts() {
  PlateFacts facts;
  facts.set_digest(std::string(32, 'x'));
  facts.mutable_format()->set_width(1920);
  facts.mutable_format()->set_height(1080);
  *facts.mutable_data_window() = [] {
    Window w;
    w.set_width(1920);
    w.set_height(1080);
    return w;
  }();
  facts.set_file_type("openexr");
  return facts;
}

double Bytes() { return static_cast<double>(mallinfo2().uordblks + mallinfo2().hblkhd); }

void Build(benchmark::State& state, const Stack& stack) {
  const auto targets = DeliverableTargets(stack);
  const PlateFiles files = *FindPlateFiles(stack, targets, [](const std::string&) { return true; });
  const PlateFacts facts = Facts();
  double bytes = 0, tasks = 0, longest = 0;
  for (auto _ : state) {
    auto last = std::chrono::steady_clock::now();
    BuildOptions options;
    options.give_up = [&] {
      const auto now = std::chrono::steady_clock::now();
      longest = std::max(longest, std::chrono::duration<double, std::milli>(now - last).count());
      last = now;
      return false;
    };
    const double before = Bytes();
    const Plan plan = *BuildPlan(
        stack, targets, files, [&](const std::string&) { return &facts; }, options);
    bytes = Bytes() - before;
    tasks = static_cast<double>(plan.tasks.size());
  }
  state.counters["tasks"] = tasks;
  state.counters["bytes_a_task"] = bytes / tasks;
  state.counters["us_a_task"] =
      benchmark::Counter(tasks * 1e-6, benchmark::Counter::kIsIterationInvariantRate | benchmark::Counter::kInvert);
  state.counters["ms_between_questions"] = longest;
}

void Still(benchmark::State& state) { Build(state, Parse(25'000, Passes(39, kStill))); }
void Moving(benchmark::State& state) { Build(state, Parse(25'000, Passes(39, kMoving))); }
BENCHMARK(Still)->Unit(benchmark::kSecond)->Iterations(1);
BENCHMARK(Moving)->Unit(benchmark::kSecond)->Iterations(1);

// 66 kB of paths that move fast under an open shutter.
void Shutter(benchmark::State& state) {
  std::string path = "M0 0";
  for (int i = 0; i < 400; ++i) absl::StrAppend(&path, " L", i * 37 % 1900, " ", i * 91 % 1000);
  std::string text = "mask { name: \"m\" shutter { degrees: 180 } shape { ";
  for (int k = 0; k < 16; ++k) absl::StrAppend(&text, "at { frame: ", 1 + 100 * k, " path: \"", path, "\" } ");
  absl::StrAppend(&text, "} track { x { at { frame: 1 value: 0 } at { frame: 1500 value: 99000 } } } } ",
                  "pass { name: \"p\" from: \"plate\" step { grade { mask: \"m\" } } } ", Deliver(0, "p"));
  Build(state, Parse(1500, text));
}
BENCHMARK(Shutter)->Unit(benchmark::kSecond)->Iterations(1);

void Check(benchmark::State& state, const Stack& stack) {
  for (auto _ : state) {
    const auto faults = Validate(stack);
    if (!faults.empty()) state.SkipWithError(faults[0].message().c_str());
    benchmark::DoNotOptimize(TooCostly(PriceOf(stack, {}), Limits()));
  }
}

// 1.4 kB, 100,000 frames, 64 deliverables.
void CheckManyDeliverables(benchmark::State& state) {
  std::string text;
  for (int i = 0; i < 64; ++i) text += Deliver(i, "plate");
  Check(state, Parse(100'000, text));
}
BENCHMARK(CheckManyDeliverables)->Unit(benchmark::kMillisecond);

// 12 MB of text: a number with 400,000 key frames.
Stack ManyKeyFrames(int frames) {
  std::string step = "step { grade { stops { ";
  for (int i = 0; i < 400'000; ++i) absl::StrAppend(&step, "at { frame: ", i, " value: ", i % 7, " } ");
  return Parse(frames, Passes(1, step + "} } }"));
}
void CheckKeyFrames(benchmark::State& state) { Check(state, ManyKeyFrames(1000)); }
BENCHMARK(CheckKeyFrames)->Unit(benchmark::kMillisecond);
void BuildKeyFrames(benchmark::State& state) { Build(state, ManyKeyFrames(10'000)); }
BENCHMARK(BuildKeyFrames)->Unit(benchmark::kSecond)->Iterations(1);

// The longest chain over the longest shot: hundreds of millions of tasks, none of them made.
void PriceOfTooMuch(benchmark::State& state) {
  std::string step = "step { degrain { window: 3 sample { width: 9 height: 9 } } }";
  Check(state, Parse(100'000, Passes(4000, step)));
}
BENCHMARK(PriceOfTooMuch)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace selvage::plan
