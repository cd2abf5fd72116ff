// One frame of 1920 x 1080 through chains of light steps, tile by tile as a
// worker renders them, on one thread. "bytes" are those of the samples read and
// written at storage precision.
#include <benchmark/benchmark.h>

#include <vector>

#include "cache/manifest.h"
#include "cache/memory_tile_store.h"
#include "proto/digest.h"
#include "tests/ops/keyed_scene.h"
#include "tests/testing/op_tester.h"
#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/half.h"
#include "worker/kernels/unmix/mix_rows.h"
#include "worker/run/decoded_cache.h"
#include "worker/run/executor.h"
#include "worker/run/result_writer.h"

namespace selvage::worker {
namespace {

const Rect kFrame{0, 0, 1920, 1080};

Manifest Store(const Picture& picture, const std::shared_ptr<TileStore>& store) {
  DecodedCache memory(0);
  ResultWriter writer(store, &memory);
  writer.BeginPicture(picture.kind, picture.rect(), false);
  (void)writer.Add(picture);
  return *writer.Finish();
}

struct Side {
  int step;
  const char* port;
  Kind kind;
};

// The whole task: inputs from memory, steps, digests, what is missing written.
void RunTask(benchmark::State& state, Kind main, const std::vector<const char*>& steps,
             const std::vector<Side>& sides) {
  auto store = std::make_shared<MemoryTileStore>();
  TaskSpec task;
  task.set_key(std::string(32, 'k'));
  task.mutable_format()->set_width(1920);
  task.mutable_format()->set_height(1080);
  for (const char* s : steps) *task.add_step() = MakeStep(s);
  auto add = [&](int step, const char* port, Kind kind) {
    TaskInput* input = task.add_input();
    input->set_step(step);
    input->set_port(port);
    *input->mutable_stored() = Store(MakePicture(kind, kFrame, 2 + task.input_size()), store);
  };
  add(-1, "in", main);
  for (const Side& s : sides) add(s.step, s.port, s.kind);
  Executor executor(store, {});
  for (auto _ : state) {
    const TaskOutcome outcome = executor.Run(task, [] { return false; });
    if (!outcome.has_manifest()) state.SkipWithError(outcome.error().message().c_str());
  }
  int channels = ChannelCount(main);
  for (const Side& s : sides) channels += ChannelCount(s.kind);
  state.SetBytesProcessed(state.iterations() * static_cast<int64_t>(kFrame.area()) * 2 * channels);
}

void CopyTask(benchmark::State& state) { RunTask(state, MATTE, {}, {}); }
void LevelsTask(benchmark::State& state) {
  RunTask(state, MATTE, {"levels { black { value: 0.1 } white { value: 0.9 } }"}, {});
}
void LevelsGamma(benchmark::State& state) { RunTask(state, MATTE, {"levels { gamma { value: 1.4 } }"}, {}); }
void SoftenTask(benchmark::State& state) { RunTask(state, MATTE, {"soften { sigma { value: 3 } }"}, {}); }
void MatteChain(benchmark::State& state) {
  RunTask(state, MATTE,
          {"levels { black { value: 0.1 } white { value: 0.9 } }", "combine { with: 'b' rule: UNION }",
           "within { mask: 'm' }", "levels { white { value: 0.8 } }", "soften { sigma { value: 1 } }"},
          {{1, "with", MATTE}, {2, "mask", MATTE}});
}
void CompositeChain(benchmark::State& state) {
  RunTask(state, OPAQUE, {"attach_matte { matte: 'm' }", "premultiply {}", "composite { with: 'b' }"},
          {{0, "matte", MATTE}, {2, "with", OPAQUE}});
}
void FillHolesTask(benchmark::State& state) { RunTask(state, MATTE, {"fill_holes {}"}, {}); }
void PlateDifferenceTask(benchmark::State& state) {
  RunTask(state, OPAQUE, {"plate_difference { clean_plate: 'p' profile {} }"}, {{0, "clean_plate", OPAQUE}});
}
void WrapLightTask(benchmark::State& state) {
  RunTask(state, PREMULTIPLIED, {"wrap_light { background: 'b' }"}, {{0, "background", OPAQUE}});
}
void ScaleTask(benchmark::State& state) { RunTask(state, PREMULTIPLIED, {"transform { scale { value: 0.9 } }"}, {}); }
void TurnTask(benchmark::State& state) { RunTask(state, PREMULTIPLIED, {"transform { rotate { value: 7 } }"}, {}); }
void GuidedTask(benchmark::State& state) { RunTask(state, MATTE, {"refine { guide: 'g' }"}, {{0, "guide", OPAQUE}}); }
void LaplacianTask(benchmark::State& state) {
  RunTask(state, MATTE, {"refine { guide: 'g' laplacian: 50 }"}, {{0, "guide", OPAQUE}});
}

// Steps alone, blocks of 256 as in a task, no store and no digests.
void RunChain(benchmark::State& state, const std::vector<const char*>& steps) {
  OpContext context;
  context.format = kFrame;
  std::vector<Step> parsed;
  for (const char* s : steps) parsed.push_back(MakeStep(s));
  auto chain =
      Chain::Make(context, std::move(parsed), {{0, "in", 0, MakeSource(MakePicture(MATTE, kFrame), kFrame), {}}}, 0);
  for (auto _ : state) {
    Picture out;
    for (int y = 0; y < kFrame.y1; y += 256) {
      for (int x = 0; x < kFrame.x1; x += 256) {
        (void)(*chain)->Render(Rect{x, y, x + 256, y + 256}.Intersect(kFrame), &out);
        benchmark::DoNotOptimize(out.planes[0].row(out.rect().y0));
      }
    }
  }
  state.SetItemsProcessed(state.iterations() * static_cast<int64_t>(kFrame.area()));
}
void ChainOfOneLevels(benchmark::State& state) { RunChain(state, {"levels { black { value: 0.1 } }"}); }
void ChainOfEightLevels(benchmark::State& state) {
  RunChain(state, std::vector<const char*>(8, "levels { black { value: 0.02 } }"));
}

// The unmixing operators, on 1920x1080 with hardly any soft band.
const testing::KeyedScene::Drawn& KeyedFrame() {
  static const auto drawn = [] {
    testing::KeyedScene scene;
    scene.window = kFrame;
    return scene.Draw();
  }();
  return drawn;
}
void CountMegapixels(benchmark::State& state) {
  using benchmark::Counter;
  state.counters["a_megapixel"] =
      Counter(1e-6 * static_cast<double>(kFrame.area()), Counter::kIsIterationInvariantRate | Counter::kInvert);
}
void Unmixing(benchmark::State& state, const char* step) {
  const auto& drawn = KeyedFrame();
  OpTester tester(step);
  tester.Main(drawn.plate).With("clean_plate", drawn.clean).With("matte", drawn.alpha);
  for (auto _ : state) benchmark::DoNotOptimize(tester.Render().planes[0].row(0));
  CountMegapixels(state);
}
void ScreenPlateWhole(benchmark::State& state) { Unmixing(state, "screen_plate {}"); }
void SureScreenWhole(benchmark::State& state) { Unmixing(state, "sure_screen { clean_plate: 'p' }"); }
void SureCoreWhole(benchmark::State& state) { Unmixing(state, "sure_core { clean_plate: 'p' }"); }
void UnmixWhole(benchmark::State& state) { Unmixing(state, "unmix { clean_plate: 'p' }"); }
void RecoverColorWhole(benchmark::State& state) { Unmixing(state, "recover_color { clean_plate: 'p' matte: 'm' }"); }
void ChromaDetailWhole(benchmark::State& state) { Unmixing(state, "chroma_detail {}"); }

// From the plate alone to colour under a matte.
void UnmixChain(benchmark::State& state) {
  const auto& drawn = KeyedFrame();
  for (auto _ : state) {
    const Picture clean = OpTester("screen_plate {}").Main(drawn.plate).Render();
    const Picture matte = OpTester("unmix { clean_plate: 'p' }").Main(drawn.plate).With("clean_plate", clean).Render();
    const Picture color = OpTester("recover_color { clean_plate: 'p' matte: 'm' }")
                              .Main(drawn.plate)
                              .With("clean_plate", clean)
                              .With("matte", matte)
                              .Render();
    benchmark::DoNotOptimize(color.planes[0].row(0));
  }
  CountMegapixels(state);
}

// One megapixel of soft band, solved once (unmix does it twice).
void SolveMegapixel(benchmark::State& state) {
  const size_t n = 1024;
  std::vector<std::vector<float>> lines(16, std::vector<float>(n, 0.25f));
  MixRows rows;
  for (int c = 0; c < 3; ++c) {
    for (size_t i = 0; i < n; ++i) lines[c][i] = 0.2f + 0.0002f * static_cast<float>(i + 300 * c);
    std::fill(lines[3 + c].begin(), lines[3 + c].end(), c == 1 ? 0.5f : 0.1f);
    rows.color[c] = lines[c].data();
    rows.screen[c] = lines[3 + c].data();
    rows.foreground.mean[c] = lines[6 + c].data();
  }
  for (int k = 0; k < 6; ++k) {
    const bool diagonal = k == 0 || k == 3 || k == 5;
    std::fill(lines[9 + k].begin(), lines[9 + k].end(), diagonal ? 2e-3f : 1e-3f);
    rows.foreground.cov[k] = lines[9 + k].data();
  }
  for (auto _ : state) {
    for (int line = 0; line < 1024; ++line) SolveRow(rows, {2e-4f, 1e-5f, {0, 0, 0}}, n, lines[15].data());
    benchmark::ClobberMemory();
  }
}

void Gaussian(benchmark::State& state) {
  const double sigma = static_cast<double>(state.range(0));
  const Plane in = MakePicture(MATTE, kFrame.Grow(GaussianRadius(sigma))).planes[0];
  Plane out(kFrame);
  for (auto _ : state) GaussianBlur(in, kFrame, sigma, &out);
  state.SetItemsProcessed(state.iterations() * static_cast<int64_t>(kFrame.area()));
}

void HalfBothWays(benchmark::State& state) {
  std::vector<float> wide(65536, 0.3f);
  std::vector<uint16_t> halves(65536);
  for (auto _ : state) {
    FloatToStored(wide.data(), halves.data(), wide.size());
    HalfToFloat(halves.data(), wide.data(), wide.size());
    benchmark::ClobberMemory();
  }
  state.SetItemsProcessed(state.iterations() * 65536);
}

void DigestOfATile(benchmark::State& state) {
  const std::string tile(131072, 'x');
  for (auto _ : state) benchmark::DoNotOptimize(Sha256(tile));
  state.SetBytesProcessed(state.iterations() * 131072);
}

BENCHMARK(CopyTask)->Unit(benchmark::kMillisecond);
BENCHMARK(LevelsTask)->Unit(benchmark::kMillisecond);
BENCHMARK(LevelsGamma)->Unit(benchmark::kMillisecond);
BENCHMARK(SoftenTask)->Unit(benchmark::kMillisecond);
BENCHMARK(MatteChain)->Unit(benchmark::kMillisecond);
BENCHMARK(CompositeChain)->Unit(benchmark::kMillisecond);
BENCHMARK(FillHolesTask)->Unit(benchmark::kMillisecond);
BENCHMARK(PlateDifferenceTask)->Unit(benchmark::kMillisecond);
BENCHMARK(WrapLightTask)->Unit(benchmark::kMillisecond);
BENCHMARK(ScaleTask)->Unit(benchmark::kMillisecond);
BENCHMARK(TurnTask)->Unit(benchmark::kMillisecond);
BENCHMARK(GuidedTask)->Unit(benchmark::kMillisecond);
BENCHMARK(LaplacianTask)->Unit(benchmark::kMillisecond);
BENCHMARK(ChainOfOneLevels)->Unit(benchmark::kMillisecond);
BENCHMARK(ChainOfEightLevels)->Unit(benchmark::kMillisecond);
BENCHMARK(ScreenPlateWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(SureScreenWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(SureCoreWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(UnmixWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(RecoverColorWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(ChromaDetailWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(UnmixChain)->Unit(benchmark::kMillisecond);
BENCHMARK(SolveMegapixel)->Unit(benchmark::kMillisecond);
BENCHMARK(Gaussian)->Arg(1)->Arg(3)->Arg(20)->Unit(benchmark::kMillisecond);
BENCHMARK(HalfBothWays);
BENCHMARK(DigestOfATile);

}  // namespace
}  // namespace selvage::worker
