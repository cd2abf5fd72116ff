// One frame of 1920 x 1080 through chains of light steps, tile by tile as a
// worker renders them, on one thread. "bytes" are those of the samples read and
// written at storage precision. What OpenCV and OpenImageIO take for the like of it
// stands beside it.
#include <benchmark/benchmark.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <random>
#include <vector>

#include "cache/manifest.h"
#include "cache/memory_tile_store.h"
#include "proto/digest.h"
#include "tests/ops/keyed_scene.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"
#include "worker/chain/op.h"
#include "worker/files/plate_reader.h"
#include "worker/kernels/motion/motion_pair.h"
#include "worker/kernels/motion/plate_rows.h"
#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/half.h"
#include "worker/kernels/unmix/mix_rows.h"
#include "worker/run/decoded_cache.h"
#include "worker/run/executor.h"
#include "worker/run/result_writer.h"

// After protobuf, whose byte swaps it would break.
#include <Imath/ImathMatrix.h>
#include <OpenImageIO/imagebuf.h>
#include <OpenImageIO/imagebufalgo.h>

#include <opencv2/imgproc.hpp>

namespace selvage::worker {
namespace {

const Rect kFrame{0, 0, 1920, 1080};

Manifest Store(const Picture& picture, const std::shared_ptr<TileStore>& store) {
  DecodedCache memory(0);
  ResultWriter writer(store, &memory);
  writer.BeginPicture(picture.kind, picture.rect(), false);
  (void)writer.Add(picture);
  const Manifest manifest = *writer.Finish();
  (void)writer.Store();
  return manifest;
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
void CompositeTask(benchmark::State& state) {
  RunTask(state, PREMULTIPLIED, {"composite { with: 'b' }"}, {{0, "with", OPAQUE}});
}
void ChokeTask(benchmark::State& state) { RunTask(state, MATTE, {"choke { pixels { value: 8 } shape: DISC }"}, {}); }
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

// ---- operators on the drawn frame: a figure before a screen, under its own matte ----

Picture Foreground() {
  const auto& drawn = KeyedFrame();
  Picture p;
  p.kind = PREMULTIPLIED;
  for (int c = 0; c < 3; ++c) {
    p.planes.emplace_back(kFrame);
    for (int y = 0; y < kFrame.y1; ++y) {
      for (int x = 0; x < kFrame.x1; ++x) {
        p.planes[c].at(x, y) = drawn.plate.planes[c].at(x, y) * drawn.alpha.planes[0].at(x, y);
      }
    }
  }
  p.planes.push_back(drawn.alpha.planes[0]);
  return p;
}

// In blocks of 256, as a task has them.
void RunBlocks(benchmark::State& state, const char* step, Picture main,
               const std::vector<std::pair<const char*, Picture>>& sides) {
  OpContext context;
  context.format = kFrame;
  std::vector<ChainInput> inputs = {{0, "in", 0, MakeSource(std::move(main), kFrame), {}}};
  for (const auto& [port, picture] : sides) inputs.push_back({0, port, 0, MakeSource(picture, kFrame), {}});
  auto chain = Chain::Make(context, {MakeStep(step)}, std::move(inputs), 0);
  if (!chain.ok()) return state.SkipWithError(std::string(chain.status().message()).c_str());
  for (auto _ : state) {
    Picture out;
    for (int y = 0; y < kFrame.y1; y += 256) {
      for (int x = 0; x < kFrame.x1; x += 256) {
        const auto status = (*chain)->Render(Rect{x, y, x + 256, y + 256}.Intersect(kFrame), &out);
        if (!status.ok()) return state.SkipWithError(std::string(status.message()).c_str());
        benchmark::DoNotOptimize(out.planes[0].row(out.rect().y0));
      }
    }
  }
}
void ChromaRangeOp(benchmark::State& state) {
  RunBlocks(state, "chroma_range { screen { color { r: 0.1 g: 0.5 b: 0.2 } } }", KeyedFrame().plate, {});
}
void FillColorOp(benchmark::State& state) {
  RunBlocks(state, "fill_color { core: 'c' }", KeyedFrame().plate, {{"core", KeyedFrame().alpha}});
}
void WrapLightOp(benchmark::State& state) {
  RunBlocks(state, "wrap_light { background: 'b' }", Foreground(), {{"background", MakePicture(OPAQUE, kFrame, 3)}});
}
void RegrainOp(benchmark::State& state) {
  RunBlocks(state, "regrain { grain: 'g' }", Foreground(), {{"grain", MakePicture(OPAQUE, kFrame, 3)}});
}
void SpreadColorWhole(benchmark::State& state) {
  OpTester tester("spread_color { core: 'c' }");
  tester.Main(KeyedFrame().plate).With("core", KeyedFrame().alpha);
  for (auto _ : state) benchmark::DoNotOptimize(tester.Render().planes[0].row(0));
}
void TurnWhole(benchmark::State& state) {
  OpTester tester("transform { rotate { value: 7 } }");
  tester.Main(Foreground());
  for (auto _ : state) benchmark::DoNotOptimize(tester.Render().planes[0].row(0));
}

// A frame between its neighbours, their motion given.
void DegrainWhole(benchmark::State& state) {
  OpContext context;
  context.format = kFrame;
  std::vector<Picture> frames;
  testing::MovingScene scene;
  scene.window = kFrame;
  for (int f = -1; f <= 1; ++f) frames.push_back(testing::AddNoise(scene.Truth(f), {}, 50 + f));
  std::vector<ChainInput> inputs;
  for (int f = -1; f <= 1; ++f) inputs.push_back({0, "in", f, MakeSource(frames[f + 1], kFrame), {}});
  for (int f : {-1, 1}) {
    const Picture &earlier = frames[std::min(f, 0) + 1], &later = frames[std::max(f, 0) + 1];
    auto measured = std::make_shared<Measurement>();
    measured->set_motion(
        EncodeMotion(EstimateBothWays(LumaOf(earlier, kFrame, kCameraCurves), LumaOf(later, kFrame, kCameraCurves))));
    inputs.push_back({0, f < 0 ? "in.motion-1" : "in.motion+1", 0, nullptr, {}, measured});
  }
  auto chain = Chain::Make(context,
                           {MakeStep("degrain { window: 1 profile { a { r: 6e-4 g: 6e-4 b: 6e-4 } "
                                     "b { r: 4e-5 g: 4e-5 b: 4e-5 } } }")},
                           std::move(inputs), 0);
  if (!chain.ok()) return state.SkipWithError(std::string(chain.status().message()).c_str());
  for (auto _ : state) {
    Picture out;
    const auto status = (*chain)->Render(kFrame, &out);
    if (!status.ok()) return state.SkipWithError(std::string(status.message()).c_str());
  }
}
void MotionBothWays(benchmark::State& state) {
  const Picture a = KeyedFrame().plate;
  for (auto _ : state) {
    benchmark::DoNotOptimize(EstimateBothWays(LumaOf(a, kFrame, kCameraCurves), LumaOf(a, kFrame, kCameraCurves)));
  }
}

// ---- files ----

// The plate with a sensor's noise, and the picture put over it: what ends a shot.
Picture Grainy(Picture p, int channels) {
  std::mt19937 random(1);
  for (int c = 0; c < channels; ++c) {
    Plane noisy(kFrame);
    for (int y = 0; y < kFrame.y1; ++y) {
      for (int x = 0; x < kFrame.x1; ++x) {
        const float noise = static_cast<float>(random() >> 8) / (1 << 24) - 0.5f;
        noisy.at(x, y) = std::max(0.0f, p.planes[c].at(x, y) + 0.02f * noise);
      }
    }
    p.planes[c] = noisy;
  }
  return p;
}
std::string Delivered(const Picture& picture) {
  OpContext context;
  context.format = kFrame;
  Input input;
  input.port = "in";
  input.kind = picture.kind;
  input.window = kFrame;
  input.picture = picture;
  DeliverFile p;
  return *FindOp("deliver_file")->RenderBlob(context, p, Inputs({input}));
}
void WriteExr(benchmark::State& state, const Picture& picture) {
  size_t bytes = 0;
  for (auto _ : state) bytes = Delivered(picture).size();
  state.counters["MB"] = 1e-6 * static_cast<double>(bytes);
}
void WriteExrGrainy(benchmark::State& state) { WriteExr(state, Grainy(KeyedFrame().plate, 3)); }
void WriteExrClean(benchmark::State& state) { WriteExr(state, Foreground()); }

// From the disk to halves, digest and all.
void ReadPlateFile(benchmark::State& state, const Picture& picture) {
  const std::string path = std::filesystem::temp_directory_path() / ("ops_bench." + std::to_string(getpid()) + ".exr");
  const std::string bytes = Delivered(picture);
  std::ofstream(path, std::ios::binary) << bytes;
  PlateRead read;
  read.set_path(path);
  read.set_digest(Sha256(bytes).str());
  read.set_alpha(Plate::NONE);
  for (auto _ : state) {
    const auto plate = ReadPlate(read, kFrame);
    if (!plate.ok()) state.SkipWithError(std::string(plate.status().message()).c_str());
  }
  std::filesystem::remove(path);
}
void ReadExrGrainy(benchmark::State& state) { ReadPlateFile(state, Grainy(KeyedFrame().plate, 3)); }
void ReadExrClean(benchmark::State& state) { ReadPlateFile(state, Foreground()); }

// ---- the like of it by others, on one thread ----

cv::Mat OfOpenCv(const Picture& p) {
  cv::setNumThreads(1);
  std::vector<cv::Mat> planes;
  for (const Plane& plane : p.planes) {
    planes.emplace_back(kFrame.height(), kFrame.width(), CV_32F);
    for (int y = 0; y < kFrame.y1; ++y) std::copy_n(plane.row(y), kFrame.x1, planes.back().ptr<float>(y));
  }
  cv::Mat out;
  cv::merge(planes, out);
  return out;
}
OIIO::ImageBuf OfOpenImageIo(const Picture& p, OIIO::TypeDesc type) {
  OIIO::attribute("threads", 1);
  const cv::Mat from = OfOpenCv(p);
  OIIO::ImageBuf wide(OIIO::ImageSpec(kFrame.width(), kFrame.height(), from.channels(), OIIO::TypeFloat), from.data);
  wide.specmod().alpha_channel = 3;
  return wide.copy(type);
}
void OpenCvGaussian(benchmark::State& state) {
  const cv::Mat in = OfOpenCv(MakePicture(MATTE, kFrame));
  const double sigma = static_cast<double>(state.range(0));
  const int side = 2 * GaussianRadius(sigma) + 1;
  cv::Mat out;
  for (auto _ : state) cv::GaussianBlur(in, out, {side, side}, sigma, sigma);
}
void OpenCvErodeDisc(benchmark::State& state) {
  const cv::Mat in = OfOpenCv(MakePicture(MATTE, kFrame));
  const cv::Mat disc = cv::getStructuringElement(cv::MORPH_ELLIPSE, {17, 17});
  cv::Mat out;
  for (auto _ : state) cv::erode(in, out, disc);
}
void OpenCvWarp(benchmark::State& state) {
  const cv::Mat in = OfOpenCv(Foreground());
  const cv::Mat turn = cv::getRotationMatrix2D({960, 540}, 7, 1);
  cv::Mat out;
  for (auto _ : state) cv::warpAffine(in, out, turn, in.size(), cv::INTER_LANCZOS4);
}
void OpenImageIoWarp(benchmark::State& state) {
  const OIIO::ImageBuf in = OfOpenImageIo(Foreground(), OIIO::TypeFloat);
  for (auto _ : state) {
    OIIO::ImageBuf out;
    OIIO::ImageBufAlgo::rotate(out, in, 7 * 0.017453293f, "lanczos3", 0.0f, false, {}, 1);
    benchmark::DoNotOptimize(out.localpixels());
  }
}
void OpenImageIoOver(benchmark::State& state) {
  const OIIO::ImageBuf a = OfOpenImageIo(Foreground(), OIIO::TypeHalf);
  const OIIO::ImageBuf b = OfOpenImageIo(MakePicture(OPAQUE, kFrame, 3), OIIO::TypeHalf);
  for (auto _ : state) {
    OIIO::ImageBuf out;
    OIIO::ImageBufAlgo::over(out, a, b, {}, 1);
    benchmark::DoNotOptimize(out.localpixels());
  }
}
void OpenImageIoWriteExr(benchmark::State& state) {
  const OIIO::ImageBuf in = OfOpenImageIo(Grainy(KeyedFrame().plate, 3), OIIO::TypeHalf);
  const std::string path = std::filesystem::temp_directory_path() / ("ops_bench." + std::to_string(getpid()) + ".exr");
  OIIO::attribute("exr_threads", -1);
  for (auto _ : state) in.write(path);
  std::filesystem::remove(path);
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
BENCHMARK(CompositeTask)->Unit(benchmark::kMillisecond);
BENCHMARK(OpenImageIoOver)->Unit(benchmark::kMillisecond);
BENCHMARK(ChokeTask)->Unit(benchmark::kMillisecond);
BENCHMARK(OpenCvErodeDisc)->Unit(benchmark::kMillisecond);
BENCHMARK(ChromaRangeOp)->Unit(benchmark::kMillisecond);
BENCHMARK(FillColorOp)->Unit(benchmark::kMillisecond);
BENCHMARK(WrapLightOp)->Unit(benchmark::kMillisecond);
BENCHMARK(RegrainOp)->Unit(benchmark::kMillisecond);
BENCHMARK(SpreadColorWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(TurnWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(OpenImageIoWarp)->Unit(benchmark::kMillisecond);
BENCHMARK(OpenCvWarp)->Unit(benchmark::kMillisecond);
BENCHMARK(DegrainWhole)->Unit(benchmark::kMillisecond);
BENCHMARK(MotionBothWays)->Unit(benchmark::kMillisecond);
BENCHMARK(WriteExrGrainy)->Unit(benchmark::kMillisecond);
BENCHMARK(WriteExrClean)->Unit(benchmark::kMillisecond);
BENCHMARK(OpenImageIoWriteExr)->Unit(benchmark::kMillisecond);
BENCHMARK(ReadExrGrainy)->Unit(benchmark::kMillisecond);
BENCHMARK(ReadExrClean)->Unit(benchmark::kMillisecond);
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
BENCHMARK(OpenCvGaussian)->Arg(1)->Arg(3)->Arg(20)->Unit(benchmark::kMillisecond);
BENCHMARK(HalfBothWays);
BENCHMARK(DigestOfATile);

}  // namespace
}  // namespace selvage::worker
