// What a plate's file says beside its pixels, from the file on disk through the planner
// and the executor into the delivered file, as exrheader prints it.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <array>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>

#include "absl/strings/str_cat.h"
#include "cache/memory_tile_store.h"
#include "google/protobuf/text_format.h"
#include "server/plan/plan.h"
#include "worker/files/plate_reader.h"
#include "worker/run/executor.h"
#include "worker/run/sources.h"

// After protobuf, whose byte swaps it would break.
#include <OpenImageIO/imageio.h>

namespace selvage {
namespace {

namespace fs = std::filesystem;
using ::testing::HasSubstr;

class MetadataOnItsWay : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (fs::temp_directory_path() / "selvage-metadata-XXXXXX").string();
    folder_ = mkdtemp(pattern.data());
  }
  void TearDown() override { fs::remove_all(folder_); }

  // Two frames, a time code apart.
  void WritePlate(int frame) const {
    OIIO::ImageSpec spec(32, 16, 3, OIIO::TypeHalf);
    const uint32_t timecode[2] = {0x10203000u + static_cast<uint32_t>(frame), 0};
    const int rate[2] = {25, 1};
    spec.attribute("smpte:TimeCode", OIIO::TypeTimeCode, timecode);
    spec.attribute("FramesPerSecond", OIIO::TypeRational, rate);
    spec.attribute("PixelAspectRatio", 2.0f);
    spec.attribute("reelName", "A012");
    const std::string path = absl::StrCat((folder_ / "p.").string(), frame, ".exr");
    auto out = OIIO::ImageOutput::create(path);
    const std::vector<float> samples(32 * 16 * 3, 0.5f);
    ASSERT_TRUE(out && out->open(path, spec) && out->write_image(OIIO::TypeFloat, samples.data()) && out->close());
  }

  // The bytes of a deliverable at a frame.
  std::string Deliver(const Stack& stack, int32_t frame) {
    plan::Target target;
    target.deliverable = "d";
    target.frame = frame;
    const plan::PlateFiles files =
        *plan::FindPlateFiles(stack, {target}, [](const std::string& path) { return fs::exists(path); });
    std::map<std::string, PlateFacts> facts;
    const plan::Plan plan = *plan::BuildPlan(stack, {target}, files, [&](const std::string& path) {
      facts[path] = worker::InspectPlateFile(path).value();
      return &facts[path];
    });
    for (const StackError& e : plan.errors) ADD_FAILURE() << e.path() << ": " << e.message();
    const auto store = std::make_shared<MemoryTileStore>();
    worker::Executor executor(store, {});
    std::map<ResultKey, Manifest> results;
    for (const plan::PlannedTask& task : plan.tasks) {
      const TaskSpec spec = plan::MakeTaskSpec(plan, task, [&](const ResultKey& key) { return &results.at(key); });
      const TaskOutcome outcome = executor.Run(spec, [] { return false; });
      EXPECT_FALSE(outcome.has_error()) << outcome.error().message();
      results[task.key] = outcome.manifest();
    }
    return worker::ReadBlob(results.at(plan.targets.front()), *store).value();
  }

  std::string Header(const std::string& bytes) const {
    const std::string path = (folder_ / "delivered.exr").string();
    std::ofstream(path, std::ios::binary) << bytes;
    FILE* pipe = popen(("exrheader " + path).c_str(), "r");
    std::string text;
    std::array<char, 4096> part;
    for (size_t n; (n = fread(part.data(), 1, part.size(), pipe)) > 0;) text.append(part.data(), n);
    EXPECT_EQ(pclose(pipe), 0);
    return text;
  }

  fs::path folder_;
};

TEST_F(MetadataOnItsWay, ArrivesInTheDeliveredFile) {
  if (std::system("command -v exrheader >/dev/null 2>&1") != 0) GTEST_SKIP() << "exrheader is not installed";
  WritePlate(1);
  WritePlate(2);
  Stack stack;
  const std::string text = absl::StrCat(R"(name: "s" frames { first: 1 last: 2 } format { width: 32 height: 16 }
    plate { name: "plate" files: ")",
                                        (folder_ / "p.%d.exr").string(), R"(" }
    pass { name: "graded" from: "plate" step { grade {} } }
    deliver { name: "d" from: "graded" files: "/o.%d.exr" })");
  ASSERT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &stack));
  const std::string first = Header(Deliver(stack, 1)), second = Header(Deliver(stack, 2));
  for (const std::string& header : {first, second}) {
    EXPECT_THAT(header, HasSubstr("pixelAspectRatio (type float): 2"));
    EXPECT_THAT(header, HasSubstr("framesPerSecond (type rational): 25/1"));
    EXPECT_THAT(header, HasSubstr("reelName (type string): \"A012\""));
  }
  EXPECT_THAT(first, HasSubstr("time 10:20:30:01"));
  EXPECT_THAT(second, HasSubstr("time 10:20:30:02"));
}

}  // namespace
}  // namespace selvage
