#include "client/start/path_list.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

namespace selvage::client {
namespace {

namespace fs = std::filesystem;
using ::testing::ElementsAre;
using ::testing::IsEmpty;

class PathListTest : public ::testing::Test {
 protected:
  PathListTest() {
    std::string name = fs::temp_directory_path() / "selvage-paths-XXXXXX";
    EXPECT_NE(::mkdtemp(name.data()), nullptr) << name;
    folder_ = name + "/";
    fs::create_directory(folder_ + "plates");
    for (const char* file : {"plate.1001.exr", "plate.1002.exr", "plate.1003.exr", "still_0360.png", "still_0720.png",
                             "apiary.stack", "notes.txt", ".hidden.1001.exr"}) {
      std::ofstream(folder_ + file) << "x";
    }
  }
  ~PathListTest() override { fs::remove_all(folder_); }

  std::vector<std::string> From(const std::string& begun, PathSort sort = PathSort::kPictures) const {
    std::vector<std::string> paths = PathsFrom(folder_ + begun, sort).paths;
    for (std::string& path : paths) path.erase(0, folder_.size());
    return paths;
  }

  std::string folder_;
};

TEST_F(PathListTest, ASequenceIsOnePatternAndStillsAreThemselves) {
  EXPECT_THAT(From(""), ElementsAre("plates/", "plate.%04d.exr", "still_0360.png", "still_0720.png"));
  EXPECT_THAT(From("", PathSort::kStacks), ElementsAre("plates/", "apiary.stack"));
}

TEST_F(PathListTest, WhatIsTypedNarrowsItWhetherPatternOrFrame) {
  EXPECT_THAT(From("pl"), ElementsAre("plates/", "plate.%04d.exr"));
  EXPECT_THAT(From("plate.%04"), ElementsAre("plate.%04d.exr"));
  EXPECT_THAT(From("plate.10"), ElementsAre("plate.%04d.exr"));
  EXPECT_THAT(From("nothing"), IsEmpty());
  EXPECT_THAT(From(".hid"), ElementsAre(".hidden.1001.exr"));
}

TEST_F(PathListTest, AFolderThatIsNoneHasNothingInIt) {
  EXPECT_THAT(From("missing/pl"), IsEmpty());
  EXPECT_THAT(From("notes.txt/"), IsEmpty());
}

TEST_F(PathListTest, ManyAreCountedAndNotAllListed) {
  for (int i = 0; i < 500; ++i) fs::create_directory(folder_ + "plates/f" + std::to_string(i));
  const PathList list = PathsFrom(folder_ + "plates/", PathSort::kPictures);
  EXPECT_EQ(list.paths.size(), 200u);
  EXPECT_EQ(list.more, 300u);
}

}  // namespace
}  // namespace selvage::client
