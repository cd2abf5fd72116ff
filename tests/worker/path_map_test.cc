#include "worker/files/path_map.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "cache/lru_tile_store.h"
#include "worker/run/executor.h"

namespace selvage::worker {
namespace {

using ::testing::HasSubstr;

std::string At(const std::vector<std::string>& lines, const std::string& path) {
  const auto map = PathMap::Parse(lines);
  if (!map.ok()) return std::string(map.status().message());
  const auto here = map->Here(path);
  return here.ok() ? *here : std::string(here.status().message());
}

TEST(PathMap, AFolderIsFoundWhereItIsMountedHere) {
  EXPECT_EQ(At({"/studio=/mnt/studio"}, "/studio/show/a.0001.exr"), "/mnt/studio/show/a.0001.exr");
  EXPECT_EQ(At({"/studio/=/mnt/studio/"}, "/studio/show/a.exr"), "/mnt/studio/show/a.exr");
  EXPECT_EQ(At({"/studio=/mnt/studio"}, "/library/a.exr"), "/library/a.exr");
  EXPECT_EQ(At({}, "/library/a.exr"), "/library/a.exr");
  EXPECT_EQ(At({"/=/mnt/daemon"}, "/library/a.exr"), "/mnt/daemon/library/a.exr");
  EXPECT_EQ(At({"/studio=/"}, "/studio/a.exr"), "/a.exr");
}

TEST(PathMap, OnlyWholeNamesOfFoldersCountAndTheLongestDecides) {
  EXPECT_EQ(At({"/studio=/mnt"}, "/studios/a.exr"), "/studios/a.exr");
  EXPECT_EQ(At({"/studio=/a", "/studio/show=/b"}, "/studio/show/x.exr"), "/b/x.exr");
  EXPECT_EQ(At({"/studio/show=/b", "/studio=/a"}, "/studio/other/x.exr"), "/a/other/x.exr");
}

TEST(PathMap, NothingLeadsOutOfAFolder) {
  EXPECT_THAT(At({"/studio=/mnt/studio"}, "/studio/../etc/passwd"), HasSubstr("leads out of /studio/"));
  EXPECT_THAT(At({"/studio=/mnt/../etc"}, "/studio/a"), HasSubstr("must not have \"..\""));
}

TEST(PathMap, WhatCannotBeMeantIsRefusedWithAnExample) {
  for (const char* line : {"/studio", "/studio=/a=/b", "studio=/mnt", "/studio=mnt", "=", ""}) {
    EXPECT_THAT(At({line}, "/x"), HasSubstr("/studio=/mnt/studio")) << line;
  }
  EXPECT_THAT(At({"/studio=/a", "/studio/=/b"}, "/x"), HasSubstr("same folder as another"));
}

TaskOutcome Inspected(const std::string& path, const std::vector<std::string>& lines) {
  Executor executor(std::make_shared<LruTileStore>(1 << 20), {.map = *PathMap::Parse(lines)});
  TaskSpec task;
  task.set_key(std::string(32, 'k'));
  task.mutable_inspect()->set_path(path);
  return executor.Run(task, [] { return false; });
}

// Binary PPM is of no type that is taken, so the sentence names the file that was read.
TEST(PathMap, AWorkerReadsThePlateWhereItLiesHere) {
  const std::filesystem::path here = std::filesystem::path(::testing::TempDir()) / "path_map";
  std::filesystem::create_directories(here);
  std::ofstream(here / "a.exr") << "P6 1 1 255\nabc";
  const TaskOutcome read = Inspected("/nowhere/studio/a.exr", {"/nowhere/studio=" + here.string()});
  EXPECT_EQ(read.error().class_(), TaskError::OPERATOR);
  EXPECT_THAT(read.error().message(), HasSubstr((here / "a.exr").string() + " is no picture"));
}

TEST(PathMap, APlateThatIsMissingHereIsTriedElsewhere) {
  const TaskOutcome missing = Inspected("/nowhere/studio/a.exr", {"/nowhere/studio=/nowhere/mnt"});
  EXPECT_EQ(missing.error().class_(), TaskError::INFRASTRUCTURE);
  EXPECT_THAT(missing.error().message(), HasSubstr("/nowhere/mnt/a.exr does not exist on this worker"));
  EXPECT_THAT(missing.error().message(), HasSubstr("/nowhere/studio/a.exr"));
  EXPECT_EQ(Inspected("/nowhere/studio/a.exr", {}).error().class_(), TaskError::OPERATOR);
}

}  // namespace
}  // namespace selvage::worker
