#include "tests/scene/render.h"

#include <atomic>
#include <exception>
#include <filesystem>
#include <fstream>
#include <mutex>
#include <sstream>
#include <stdexcept>
#include <thread>

#include "tests/scene/files.h"
#include "tests/scene/meadow.h"

namespace selvage::scene {
namespace {

namespace fs = std::filesystem;

std::string PathOf(const RenderOptions& options, const std::string& name, int frame, const char* ending = ".exr") {
  return (fs::path(options.folder) / FramePath(name + ".%04d" + ending, frame)).string();
}

// The same picture for every frame: written once, then copied.
void WriteStill(const RenderOptions& options, const std::string& name, const Picture& picture) {
  int first = options.shot.first;
  WriteExr(PathOf(options, name, first), picture, Channels::kRgb);
  for (int i = 1; i < options.shot.frames; ++i) {
    fs::copy_file(PathOf(options, name, first), PathOf(options, name, first + i), fs::copy_options::overwrite_existing);
  }
}

void WriteFrame(const RenderOptions& options, const Painter& painter, int frame) {
  FrameTruth truth = painter.Draw(frame);
  auto wanted = [&](const char* name) { return options.only.count(name) > 0; };
  if (wanted("alpha")) WriteExr(PathOf(options, "alpha", frame), truth.foreground, Channels::kAlpha);
  if (wanted("foreground")) WriteExr(PathOf(options, "foreground", frame), truth.foreground, Channels::kRgba);
  if (wanted("part")) {
    Picture parts(options.shot.width, options.shot.height);
    const std::vector<Part> drawn = painter.DrawParts(frame);
    for (size_t i = 0; i < drawn.size(); ++i) parts.pixels[i].a = static_cast<float>(drawn[i]);
    WriteExr(PathOf(options, "part", frame), parts, Channels::kAlpha);
  }
  if (wanted("shadow")) WriteExr(PathOf(options, "shadow", frame), truth.shadow, Channels::kRgb);
  if (!wanted("plate")) return;
  Picture plate = Record(options, truth, frame);
  WriteExr(PathOf(options, "plate", frame), plate, Channels::kRgb);
  if (options.png) WritePng(PathOf(options, "plate", frame, ".png"), plate);
  if (options.dpx) WriteDpx(PathOf(options, "plate", frame, ".dpx"), plate);
}

void WriteDescription(const RenderOptions& options) {
  static constexpr const char* kHues[] = {"green", "blue", "yellow-green"};
  Noise3 noise = NoiseOf(options.noise);
  std::ofstream file(fs::path(options.folder) / "scene.json");
  file << "{\n  \"seed\": " << options.seed << ",\n  \"width\": " << options.shot.width
       << ",\n  \"height\": " << options.shot.height << ",\n  \"first\": " << options.shot.first
       << ",\n  \"last\": " << options.shot.first + options.shot.frames - 1 << ",\n  \"screen\": \""
       << kHues[static_cast<int>(options.hue)] << "\",\n  \"noise\": {\n    \"level\": \"" << options.noise
       << "\",\n    \"a\": [" << noise.a.x << ", " << noise.a.y << ", " << noise.a.z << "],\n    \"b\": [" << noise.b.x
       << ", " << noise.b.y << ", " << noise.b.z
       << "]\n  },\n  \"subsample\": " << (options.subsample ? "true" : "false") << ",\n  \"shutter\": " << kShutter
       << ",\n  \"lens_sigma\": " << LensSigma(options.shot.height) << "\n}\n";
  if (!file.flush()) throw std::runtime_error("can't write scene.json in " + options.folder);
}

}  // namespace

void RenderOptions::SetOnly(const std::string& names) {
  if (names.empty()) return;
  only.clear();
  std::stringstream list(names);
  for (std::string name; std::getline(list, name, ',');) {
    if (name != "plate" && name != "alpha" && name != "foreground" && name != "clean" && name != "meadow" &&
        name != "shadow" && name != "part") {
      throw std::runtime_error("--only " + name + ": expected plate, alpha, foreground, clean, meadow, shadow or part");
    }
    only.insert(name);
  }
}

Noise3 NoiseOf(const std::string& level) {
  // Blue sees least light and is amplified most.
  Noise3 medium = {{2.0e-4f, 1.5e-4f, 2.8e-4f}, {2.0e-6f, 1.2e-6f, 4.0e-6f}};
  float share = level == "none" ? 0.0f : level == "light" ? 0.25f : level == "heavy" ? 4.0f : 1.0f;
  return {medium.a * share, medium.b * share};
}

Picture Record(const RenderOptions& options, const FrameTruth& truth, int frame) {
  Picture plate = Compose(truth);
  if (options.noise != "none") AddNoise(NoiseOf(options.noise), options.seed, frame, &plate);
  if (options.subsample) Subsample420(&plate);
  return plate;
}

void Render(const RenderOptions& options, const std::function<void(int)>& progress) {
  fs::create_directories(options.folder);
  const Shot& shot = options.shot;
  Painter painter(shot, options.hue, options.seed);
  WriteDescription(options);
  if (options.only.count("clean") > 0) WriteStill(options, "clean", painter.clean());
  if (options.only.count("meadow") > 0)
    WriteStill(options, "meadow", DrawMeadow(shot.width, shot.height, options.seed));
  if (options.only.count("plate") + options.only.count("alpha") + options.only.count("foreground") +
          options.only.count("shadow") + options.only.count("part") ==
      0)
    return;

  std::atomic<int> next{0};
  std::mutex mutex;
  std::exception_ptr failure;
  int done = 0;
  auto work = [&] {
    for (int i = next++; i < shot.frames; i = next++) {
      try {
        WriteFrame(options, painter, shot.first + i);
      } catch (...) {
        std::lock_guard lock(mutex);
        failure = std::current_exception();
        next = shot.frames;
        return;
      }
      std::lock_guard lock(mutex);
      progress(++done);
    }
  };
  unsigned count = options.threads > 0 ? options.threads : std::max(1u, std::thread::hardware_concurrency());
  std::vector<std::thread> threads;
  for (unsigned i = 0; i < std::min(count, static_cast<unsigned>(shot.frames)); ++i) threads.emplace_back(work);
  for (std::thread& t : threads) t.join();
  if (failure) std::rethrow_exception(failure);
}

}  // namespace selvage::scene
