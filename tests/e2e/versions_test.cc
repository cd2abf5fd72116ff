// What was submitted comes back: as a list, as text, in words, in figures, in pictures and
// in the names of files.
#include <filesystem>

#include "client/picture.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

client::Picture Read(const std::string& path) {
  const auto picture = client::ReadPng(ReadFile(path));
  EXPECT_TRUE(picture.ok()) << path << ": " << picture.status();
  return picture.ok() ? *picture : client::Picture(1, 1);
}

class Versions : public ::testing::Test {
 protected:
  // Two submissions of a stack whose files carry the version in their names.
  void SetUp() override {
    studio_.Start();
    text_ = SmallStack(4);
    const std::string files = "out/comp.%04d.exr";
    const size_t at = text_.find(files);
    ASSERT_NE(at, std::string::npos) << text_;
    text_.replace(at, files.size(), "out/v{version}/comp_v{version}.%04d.exr");
    text_ = "# as shot\n" + text_;
    stack_ = studio_.WriteStack("small.stack", text_);
    first_ = studio_.Client({"submit", stack_, "--watch", "--note", "for the morning"});
    ASSERT_EQ(first_.exit_code, 0) << first_.err;
    second_ = studio_.Client({"submit", stack_, "--watch", "--set", "core.choke.pixels=4"});
    ASSERT_EQ(second_.exit_code, 0) << second_.err;
  }
  Studio studio_{4};
  std::string text_, stack_;
  Finished first_, second_;
};

TEST_F(Versions, AreListedGivenBackAndComparedInWords) {
  EXPECT_SAYS(first_.out, "version 1 of small\n");
  EXPECT_SAYS(first_.out, "time: not known: nothing like it was rendered here yet");
  EXPECT_SAYS(second_.out, "version 2 of small\n");
  EXPECT_SAYS(second_.out, "time: about ");
  EXPECT_SAYS(second_.out, " were expected\n");
  const Finished list = studio_.Client({"versions", stack_});
  EXPECT_SAYS(list.out, "for the morning");
  EXPECT_SAYS(list.out, "--set core.choke.pixels=4");
  EXPECT_EQ(studio_.Client({"versions", "small"}).out, list.out) << "by name as by file";

  EXPECT_EQ(studio_.Client({"stack", "small@1"}).out, text_);
  const Finished set = studio_.Client({"stack", "small@last", "-o", studio_.file("back.stack")});
  EXPECT_EQ(set.exit_code, 0) << set.err;
  EXPECT_EQ(ReadFile(studio_.file("back.stack")), "# submitted with --set core.choke.pixels=4\n" + text_);
  EXPECT_EQ(studio_.Client({"stack", "small@3"}).exit_code, 1);

  const Finished words = studio_.Client({"compare", "small@1", "small@2"});
  EXPECT_SAYS(words.out, "\"for the morning\"");
  EXPECT_SAYS(words.out, "pass core: choke.pixels 1.5 -> 4\n");
  EXPECT_SAYS(studio_.Client({"compare", "small@1", stack_}).out, "The settings are the same.");
  const Finished plan = studio_.Client({"plan", stack_, "--set", "core.choke.pixels=2"});
  EXPECT_SAYS(plan.out, "time: about ");
  EXPECT_SAYS(studio_.Client({"plan", stack_}).out, "time: nothing to render");
}

TEST_F(Versions, AreComparedInFiguresAndPictures) {
  const std::string look = studio_.file("wipe.png");
  const Finished figures = studio_.Client({"compare", "small@1", "small@2", "-f", "1002", "--pass", "core", "--as",
                                           "matte", "-o", studio_.file("difference.png"), "--show", "difference"});
  ASSERT_EQ(figures.exit_code, 0) << figures.err;
  EXPECT_SAYS(figures.out, "covered");
  EXPECT_SAYS(figures.out, " pixels differ, by up to ");
  const auto shown = [&](const std::vector<std::string>& more) {
    std::vector<std::string> words = {"look", stack_, "core", "-f", "1002", "--as", "matte", "-o", look};
    words.insert(words.end(), more.begin(), more.end());
    const Finished done = studio_.Client(words);
    EXPECT_EQ(done.exit_code, 0) << done.err;
    return Read(look);
  };
  const client::Picture now = shown({"--set", "core.choke.pixels=4"}), before = shown({});
  const auto difference = client::DifferenceOf(before, now);
  ASSERT_TRUE(difference.ok());
  EXPECT_GT(difference->pixels, 100u);
  EXPECT_EQ(Read(studio_.file("difference.png")).rgb, difference->picture.rgb);
  // The same as pictures of the two, laid together.
  EXPECT_EQ(shown({"--against", "@2", "--wipe", "0.4"}).rgb, client::Wiped(before, now, 0.4)->rgb);
  EXPECT_EQ(shown({"--against", "small@2", "--wipe", "0"}).rgb, now.rgb);
  EXPECT_EQ(studio_.Client({"look", stack_, "core", "-f", "1002", "--against", "@9", "-o", look}).exit_code, 1);
}

TEST_F(Versions, NumbersStandInThePathsOfFiles) {
  const Finished fetched = studio_.Client({"fetch"});
  ASSERT_EQ(fetched.exit_code, 0) << fetched.err;
  EXPECT_TRUE(std::filesystem::exists(studio_.file("out/v002/comp_v002.1001.exr"))) << fetched.out;
  EXPECT_FALSE(std::filesystem::exists(studio_.file("out/v001")));
  const std::string job = first_.out.substr(4, first_.out.find('\n') - 4);
  ASSERT_EQ(studio_.Client({"fetch", job}).exit_code, 0);
  EXPECT_TRUE(std::filesystem::exists(studio_.file("out/v001/comp_v001.1004.exr")));
  // And stay the same after the daemon was started anew.
  EXPECT_EQ(studio_.Stop(), 0);
  studio_.Start();
  const Finished third = studio_.Client({"submit", stack_});
  EXPECT_EQ(third.out.find('\n') + 1, third.out.size()) << "what a script reads is the job alone: " << third.out;
  EXPECT_SAYS(third.err, "version 3 of small\n");
  EXPECT_SAYS(third.err, "time: nothing to render\n");
}

TEST_F(Versions, ManyFramesAreLookedAtAtOnce) {
  const Finished done =
      studio_.Client({"look", stack_, "edge", "-f", "1001-1004", "--as", "matte", "-o", studio_.file("edge.%04d.png"),
                      "--sheet", studio_.file("sheet.png"), "--over-mask", "lower"});
  ASSERT_EQ(done.exit_code, 0) << done.err;
  for (int frame = 1001; frame <= 1004; ++frame) {
    EXPECT_EQ(Read(studio_.file("edge." + std::to_string(frame) + ".png")).width, 300) << done.out;
  }
  EXPECT_GT(Read(studio_.file("sheet.png")).width, 600);
  // The outline, and nothing else, is new.
  const Finished plain =
      studio_.Client({"look", stack_, "edge", "-f", "1001", "--as", "matte", "-o", studio_.file("plain.png")});
  ASSERT_EQ(plain.exit_code, 0) << plain.err;
  const auto outline = client::DifferenceOf(Read(studio_.file("plain.png")), Read(studio_.file("edge.1001.png")));
  ASSERT_TRUE(outline.ok());
  EXPECT_GT(outline->pixels, 200u);
  EXPECT_LE(outline->y1 - outline->y0, 3) << "the mask's edge is a level line";

  const Finished part = studio_.Client({"look", stack_, "plate", "-f", "1001", "--as", "color", "--crop", "90,90,30,20",
                                        "--zoom", "4", "-o", studio_.file("part.png")});
  ASSERT_EQ(part.exit_code, 0) << part.err;
  EXPECT_EQ(Read(studio_.file("part.png")).width, 120);
  EXPECT_EQ(Read(studio_.file("part.png")).height, 80);
  EXPECT_EQ(studio_.Client({"look", stack_, "plate", "-f", "1001", "--over-mask", "plate", "-o", "x.png"}).exit_code, 1)
      << "a picture has no outline";
}

TEST_F(Versions, ValuesAreThoseOfThePictureThatIsShown) {
  const Finished values = studio_.Client({"--json", "look", stack_, "plate", "-f", "1001-1002", "--as", "color",
                                          "--values", "105,110", "--values", "20,20", "-o", studio_.file("p.%d.png")});
  ASSERT_EQ(values.exit_code, 0) << values.err;
  for (int frame = 1001; frame <= 1002; ++frame) {
    const client::Picture shown = Read(studio_.file("p." + std::to_string(frame) + ".png"));
    for (const auto& [x, y] : {std::pair(105, 110), std::pair(20, 20)}) {
      const uint8_t* code = shown.at(x, y);
      std::string text = values.out;
      std::erase_if(text, [](char c) { return c == ' ' || c == '\n'; });
      EXPECT_SAYS(text, "\"frame\":" + std::to_string(frame) + ",\"x\":" + std::to_string(x) +
                            ",\"y\":" + std::to_string(y) + ",\"linear\":[");
      EXPECT_SAYS(text, "\"code\":[" + std::to_string(code[0]) + "," + std::to_string(code[1]) + "," +
                            std::to_string(code[2]) + ",255]");
    }
  }
  const Finished matte = studio_.Client({"look", stack_, "core", "-f", "1001", "--values", "20,20"});
  EXPECT_SAYS(matte.out, "1001  20  20  -  -  -  0.00000          0\n");
  const Finished outside = studio_.Client({"look", stack_, "core", "-f", "1001", "--values", "900,20"});
  EXPECT_EQ(outside.exit_code, 4);
  EXPECT_SAYS(outside.err, "is not inside the picture");
}

TEST(Shots, OneBadLineAmongManyLeavesTheOthers) {
  Studio studio(4);
  studio.Start();
  std::string text = SmallStack(4);
  for (const std::string name : {"comp", "matte"}) {
    const std::string files = "out/" + name + ".%04d.exr";
    text.replace(text.find(files), files.size(), "out/{stack}/" + name + ".%04d.exr");
  }
  const std::string stack = studio.WriteStack("lot.stack", text);
  WriteFile(studio.file("lot.csv"),
            "name,frames,plate:plate,core.choke.pixels\n"
            "a_010,1001-1002,plate.%04d.exr,\n"
            "a_020,1001-1002,nowhere.%04d.exr,\n"
            "a_030,1003-1004,,4\n"
            "a_040,1001-1002,,much\n");
  const Finished done = studio.Client({"submit", stack, "--shots", studio.file("lot.csv"), "--watch"});
  EXPECT_EQ(done.exit_code, 1) << done.out << done.err;
  EXPECT_SAYS(done.err, studio.file("lot.csv") + ":3: a_020: ");
  EXPECT_SAYS(done.err, studio.file("lot.csv") + ":5: a_040: ");
  EXPECT_SAYS(done.err, "2 of 4 shots have a fault");
  EXPECT_SAYS(done.out, "a_010  done");
  EXPECT_SAYS(done.out, "a_030  done");
  EXPECT_SAYS(studio.Client({"versions", "a_030"}).out, "--set frames.first=1003");
  // The others alone: nothing is rendered again, and each has files of its own.
  WriteFile(studio.file("good.csv"), "name,frames,core.choke.pixels\na_010,1001-1002,\na_030,1003-1004,4\n");
  const Finished again = studio.Client({"submit", stack, "--shots", studio.file("good.csv"), "--watch"});
  EXPECT_EQ(again.exit_code, 0) << again.out << again.err;
  EXPECT_SAYS(again.out, "  0 rendered");
  ASSERT_EQ(studio.Client({"fetch"}).exit_code, 0);
  EXPECT_TRUE(std::filesystem::exists(studio.file("out/a_030/comp.1003.exr")));
  // Without {stack} they would write each other's files.
  const std::string one = studio.WriteStack("one.stack", SmallStack(4));
  const Finished clash = studio.Client({"submit", one, "--shots", studio.file("good.csv")});
  EXPECT_SAYS(clash.err, "would write the files of shot \"a_010\": put {stack} into its `files`");
}

}  // namespace
}  // namespace selvage::e2e
