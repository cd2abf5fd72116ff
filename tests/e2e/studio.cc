#include "tests/e2e/studio.h"

#include <OpenImageIO/imageio.h>
#include <google/protobuf/util/json_util.h>
#include <signal.h>
#include <unistd.h>

#include <cmath>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

const std::string kBinaries = SELVAGE_BINARY_DIR;

void WriteExr(const std::string& path, int width, int height, const std::vector<float>& rgb) {
  auto out = OIIO::ImageOutput::create(path);
  OIIO::ImageSpec spec(width, height, 3, OIIO::TypeDesc::HALF);
  spec.attribute("compression", "zip");
  // OpenImageIO writes the time of day otherwise: other bytes, another key.
  spec.attribute("DateTime", "2026:01:01 00:00:00");
  ASSERT_TRUE(out && out->open(path, spec)) << path;
  ASSERT_TRUE(out->write_image(OIIO::TypeDesc::FLOAT, rgb.data())) << path;
  out->close();
}

// Cheap repeatable noise in -1..1.
float Noise(uint32_t x, uint32_t y, uint32_t f) {
  uint32_t h = x * 374761393u + y * 668265263u + f * 2246822519u;
  h = (h ^ (h >> 13)) * 1274126177u;
  return static_cast<float>((h ^ (h >> 16)) & 0xffff) / 32768.0f - 1.0f;
}

template <class M>
M FromJson(const std::string& text) {
  M message;
  google::protobuf::util::JsonParseOptions options;
  options.ignore_unknown_fields = true;
  const auto status = google::protobuf::util::JsonStringToMessage(text, &message, options);
  EXPECT_TRUE(status.ok()) << status.ToString() << "\n" << text;
  return message;
}

}  // namespace

Studio::Studio(int frames, int width, int height) : frames_(frames), width_(width), height_(height) {
  std::string pattern = (fs::temp_directory_path() / "selvage-e2e-XXXXXX").string();
  folder_ = mkdtemp(pattern.data());
  for (int f = 1001; f < 1001 + frames; ++f) DrawPlate(f);
  std::vector<float> meadow(static_cast<size_t>(width) * height * 3);
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      float* p = &meadow[(static_cast<size_t>(y) * width + x) * 3];
      p[0] = 0.2f + 0.3f * static_cast<float>(y) / height;
      p[1] = 0.4f;
      p[2] = 0.8f - 0.7f * static_cast<float>(y) / height;
    }
  }
  WriteExr(file("meadow.exr"), width, height, meadow);
}

Studio::~Studio() {
  daemon_.Kill();
  std::error_code error;
  if (!::testing::Test::HasFailure()) fs::remove_all(folder_, error);
}

void Studio::DrawPlate(int frame, float shade) const {
  std::vector<float> rgb(static_cast<size_t>(width_) * height_ * 3);
  const float cx = width_ * 0.35f + 4.0f * static_cast<float>(frame - 1001), cy = height_ * 0.55f, r = height_ * 0.3f;
  for (int y = 0; y < height_; ++y) {
    for (int x = 0; x < width_; ++x) {
      const float d = std::sqrt((x - cx) * (x - cx) + (y - cy) * (y - cy));
      const float a = std::clamp((r - d) / 3.0f + 0.5f, 0.0f, 1.0f);
      const float front[3] = {0.6f * shade, 0.45f, 0.35f}, screen[3] = {0.08f, 0.45f, 0.12f};
      for (int c = 0; c < 3; ++c) {
        const float clean = a * front[c] + (1 - a) * screen[c];
        rgb[(static_cast<size_t>(y) * width_ + x) * 3 + c] =
            std::max(0.0f, clean + 0.01f * Noise(x, y, 31 * frame + c));
      }
    }
  }
  WriteExr(file(absl::StrFormat("plate.%04d.exr", frame)), width_, height_, rgb);
}

void Studio::Start(const DaemonOptions& options) {
  const std::string ports = file("ports.json");
  fs::remove(ports);
  std::vector<std::string> command = {kBinaries + "/server/selvaged",
                                      "--state",
                                      file("state"),
                                      "--root",
                                      folder(),
                                      "--listen",
                                      "127.0.0.1:0",
                                      "--http",
                                      "127.0.0.1:0",
                                      "--local-workers",
                                      absl::StrCat(options.local_workers),
                                      "--cache-size",
                                      options.cache_size,
                                      "--port-file",
                                      ports};
  command.insert(command.end(), options.more.begin(), options.more.end());
  daemon_ = Process(command, log());
  for (int i = 0; i < 3000 && !fs::exists(ports); ++i) {
    ASSERT_TRUE(daemon_.running()) << ReadFile(log());
    SleepMs(10);
  }
  const std::string text = ReadFile(ports);
  const auto port = [&](const std::string& name) {
    const size_t at = text.find("\"" + name + "\"");
    const size_t digit = text.find_first_of("0123456789", text.find(':', at));
    return at == std::string::npos ? 0 : std::atoi(text.c_str() + digit);
  };
  server_ = absl::StrCat("127.0.0.1:", port("grpc"));
  http_ = absl::StrCat("127.0.0.1:", port("http"));
  tls_ = absl::StrCat("127.0.0.1:", port("tls"));
}

int Studio::Stop() {
  daemon_.Signal(SIGTERM);
  return daemon_.Wait(10);
}

Process Studio::StartWorker(int slots, const std::vector<std::string>& more) {
  std::vector<std::string> command = {kBinaries + "/worker/selvage-worker", "--server", server_, "--slots",
                                      absl::StrCat(slots)};
  command.insert(command.end(), more.begin(), more.end());
  return Process(command, file("worker.log"));
}

Finished Studio::Client(std::vector<std::string> arguments, int seconds) const {
  arguments.insert(arguments.begin(), {kBinaries + "/client/selvage", "--server", server_});
  return RunProcess(arguments, seconds);
}

std::string Studio::SubmitOnly(const std::string& stack, const std::vector<std::string>& set) const {
  std::vector<std::string> arguments = {"--json", "submit", stack};
  for (const std::string& s : set) arguments.insert(arguments.end(), {"--set", s});
  const Finished f = Client(arguments);
  EXPECT_EQ(f.exit_code, 0) << f.err << ReadFile(log());
  return FromJson<SubmitReply>(f.out).job_id();
}

JobProgress Studio::WatchToEnd(const std::string& job) const {
  const Finished f = Client({"--json", "watch", job}, 300);
  EXPECT_EQ(f.exit_code, 0) << f.err << f.out << ReadFile(log());
  return FromJson<JobProgress>(f.out);
}

JobProgress Studio::Submit(const std::string& stack, const std::vector<std::string>& set) const {
  return WatchToEnd(SubmitOnly(stack, set));
}

JobProgress Studio::Snapshot(const std::string& job) const {
  const Finished f = Client({"--json", "jobs"});
  const auto reply = FromJson<ListJobsReply>(f.out);
  for (const JobProgress& p : reply.job()) {
    if (p.job_id() == job) return p;
  }
  return {};
}

Files Studio::Fetch(const std::string& to) const {
  const std::string target = file(to);
  const Finished f = Client({"fetch", "--to", target});
  EXPECT_EQ(f.exit_code, 0) << f.err;
  Files files;
  std::error_code error;
  for (const auto& entry : fs::recursive_directory_iterator(target, error)) {
    if (entry.is_regular_file()) files[fs::relative(entry.path(), target).string()] = ReadFile(entry.path().string());
  }
  return files;
}

std::string Studio::WriteStack(const std::string& name, const std::string& text) const {
  WriteFile(file(name), text);
  return file(name);
}

Files WithoutKeys(Files files) {
  constexpr size_t kHexDigits = 64;
  const std::string attribute = std::string("selvage.result") + '\0' + "string" + '\0';
  for (auto& [name, bytes] : files) {
    const size_t at = bytes.find(attribute);
    EXPECT_NE(at, std::string::npos) << name;
    // The value follows its length in four bytes.
    if (at != std::string::npos) bytes.replace(at + attribute.size() + 4, kHexDigits, kHexDigits, '-');
  }
  return files;
}

std::string Differences(const Files& a, const Files& b) {
  std::string out;
  for (const auto& [name, bytes] : a) {
    const auto other = b.find(name);
    if (other == b.end()) absl::StrAppend(&out, name, " only in the first; ");
    if (other != b.end() && other->second != bytes) absl::StrAppend(&out, name, " differs; ");
  }
  for (const auto& [name, bytes] : b) {
    if (!a.count(name)) absl::StrAppend(&out, name, " only in the second; ");
  }
  return out;
}

std::string SmallStack(int frames) {
  return absl::StrFormat(R"(
name: "small"
frames { first: 1001 last: %d }
plate { name: "plate" files: "plate.%%04d.exr" }
plate { name: "meadow" files: "meadow.exr" }
mask {
  name: "lower"
  shape {
    at { frame: 1001 path: "M 0 100 L 300 100 L 300 200 L 0 200 Z" }
    at { frame: %d path: "M 0 90 L 300 90 L 300 200 L 0 200 Z" }
    feather { value: 6 }
  }
}
pass {
  name: "degrained" from: "plate"
  step { degrain { window: 1 sample { x: 4 y: 4 width: 48 height: 48 } } }
}
pass {
  name: "core" from: "degrained"
  step { color_difference { screen { sample { x: 4 y: 4 width: 32 height: 32 } } } }
  step { levels { black { value: 0.2 } white { value: 0.6 } } }
  step { choke { pixels { value: 1.5 } } }
}
pass {
  name: "edge" from: "degrained"
  step { color_difference { screen { sample { x: 4 y: 4 width: 32 height: 32 } } } }
  step { levels { black { value: 0.05 } white { value: 0.9 } } }
  step { within { mask: "lower" } }
}
pass { name: "matte" from: "core" step { combine { with: "edge" rule: MAX } } step { soften { sigma { value: 0.7 } } } }
pass {
  name: "front" from: "plate"
  step { despill { screen { hue: GREEN } limit: AVERAGE restore: NEUTRAL } }
  step { attach_matte { matte: "matte" } }
}
pass {
  name: "warm" from: "front"
  step { grade { stops { at { frame: 1001 value: 0 } at { frame: 1003 value: 0 } at { frame: %d value: 0.5 } } } }
  step { premultiply {} }
}
pass { name: "final" from: "warm" step { composite { with: "meadow" rule: OVER } } }
deliver { name: "comp" from: "final" files: "out/comp.%%04d.exr" layer { name: "core" from: "core" } }
deliver { name: "matte" from: "matte" files: "out/matte.%%04d.exr" }
)",
                         1000 + frames, 1000 + frames, 1000 + frames);
}

Counts Sum(const JobProgress& progress) {
  Counts c;
  for (const PassProgress& p : progress.pass()) {
    c.rendered += p.rendered();
    c.reused += p.reused();
  }
  return c;
}

Counts OfPass(const JobProgress& progress, const std::string& pass) {
  Counts c;
  for (const PassProgress& p : progress.pass()) {
    if (p.pass() == pass) c.rendered += p.rendered(), c.reused += p.reused();
  }
  return c;
}

}  // namespace selvage::e2e
