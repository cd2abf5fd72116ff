// `selvage intake` on drawn plates with each fault, written by OpenImageIO.
#include <google/protobuf/util/json_util.h>

#include <cmath>
#include <filesystem>
#include <functional>
#include <limits>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/intake.pb.h"
#include "tests/e2e/studio.h"

// After protobuf: OpenImageIO's byte swaps hide the macros that it uses.
#include <OpenImageIO/imageio.h>

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

constexpr int kFrames = 24;

struct Rgb {
  int width = 0, height = 0;
  std::vector<float> samples;
  float* at(int x, int y) { return &samples[(static_cast<size_t>(y) * width + x) * 3]; }
};

class TakingIn : public ::testing::Test {
 protected:
  void SetUp() override { studio_.Start(); }
  std::string Plate(int frame) const { return studio_.file(absl::StrFormat("plate.%04d.exr", frame)); }
  static Rgb Read(const std::string& path) {
    auto in = OIIO::ImageInput::open(path);
    EXPECT_TRUE(in) << path;
    Rgb picture{in->spec().width, in->spec().height, {}};
    picture.samples.resize(static_cast<size_t>(picture.width) * picture.height * 3);
    in->read_image(0, 0, 0, 3, OIIO::TypeDesc::FLOAT, picture.samples.data());
    return picture;
  }
  static void Write(const std::string& path, const Rgb& picture, OIIO::TypeDesc type = OIIO::TypeDesc::HALF,
                    int quality = 90) {
    OIIO::ImageSpec spec(picture.width, picture.height, 3, type);
    spec.attribute("CompressionQuality", quality);
    auto out = OIIO::ImageOutput::create(path);
    ASSERT_TRUE(out && out->open(path, spec)) << path << OIIO::geterror();
    ASSERT_TRUE(out->write_image(OIIO::TypeDesc::FLOAT, picture.samples.data()));
    ASSERT_TRUE(out->close());
  }
  void Change(int frame, const std::function<void(Rgb*)>& change) const {
    Rgb picture = Read(Plate(frame));
    change(&picture);
    Write(Plate(frame), picture);
  }
  Finished Intake(std::vector<std::string> more, const std::string& plate = "plate.%04d.exr") const {
    more.insert(more.begin(), {"intake", studio_.file(plate)});
    return studio_.Client(more);
  }
  PlateIntake Json(std::vector<std::string> more = {}, const std::string& plate = "plate.%04d.exr") const {
    more.push_back("--json");
    const Finished f = Intake(more, plate);
    EXPECT_EQ(f.exit_code, 0) << f.err;
    PlateIntake report;
    EXPECT_TRUE(google::protobuf::util::JsonStringToMessage(f.out, &report).ok()) << f.out;
    return report;
  }
  static std::vector<std::string> Findings(const PlateIntake& report) {
    std::vector<std::string> all;
    for (const IntakeFinding& f : report.finding()) {
      all.push_back(absl::StrCat(IntakeFinding::Kind_Name(f.kind()), " ", f.first(), "-", f.last()));
    }
    return all;
  }
  using Strings = std::vector<std::string>;
  Studio studio_{kFrames, 160, 128};
};

TEST_F(TakingIn, AGoodPlateHasNothingThatStandsOut) {
  const Finished f = Intake({});
  EXPECT_EQ(f.exit_code, 0) << f.err;
  EXPECT_SAYS(f.out, studio_.file("plate.%04d.exr") + "\n  frames    1001-1024: 24 files\n  size      160 x 128\n");
  EXPECT_SAYS(f.out, "  type      OpenEXR, half: B G R\n  encoding  linear; values from ");
  EXPECT_SAYS(f.out, "\nNothing stands out.\n");
  // One frame of it stands for all.
  EXPECT_EQ(Intake({}, "plate.1003.exr").out, f.out);
}

TEST_F(TakingIn, EachFaultIsFoundInItsFrame) {
  fs::remove(Plate(1003));
  fs::remove(Plate(1004));
  fs::copy_file(Plate(1006), studio_.file("plate.01006.exr"));
  fs::copy_file(Plate(1007), Plate(1008), fs::copy_options::overwrite_existing);
  const Rgb before = Read(Plate(1009));
  Change(1010, [&](Rgb* p) { std::copy_n(before.samples.begin(), size_t{160} * 50 * 3, p->samples.begin()); });
  Write(Plate(1012), [&] {
    Rgb smaller = Read(Plate(1012));
    smaller.height = 120;
    smaller.samples.resize(size_t{160} * 120 * 3);
    return smaller;
  }());
  Write(Plate(1013), Read(Plate(1013)), OIIO::TypeDesc::FLOAT);
  Change(1014, [](Rgb* p) {
    p->at(3, 3)[0] = std::numeric_limits<float>::quiet_NaN();
    p->at(4, 3)[1] = std::numeric_limits<float>::infinity();
  });
  Change(1016, [](Rgb* p) {
    for (int y = 0; y < 20; ++y) {
      for (int x = 0; x < 160; ++x) p->at(x, y)[1] = 0.7f;
    }
  });
  const std::string whole = ReadFile(Plate(1018));
  WriteFile(Plate(1018), whole.substr(0, whole.size() / 2));
  WriteFile(Plate(1019), "no picture");
  Change(1022, [](Rgb* p) {
    for (float& v : p->samples) v *= 2.5f;
  });
  const PlateIntake report = Json();
  EXPECT_EQ(Findings(report),
            (Strings{"MISSING 1003-1004", "DOUBLE 1006-1006", "FROZEN 1008-1008", "TORN 1010-1010", "CHANGED 1012-1012",
                     "CHANGED 1013-1013", "NOT_FINITE 1014-1014", "CLIPPED 1016-1016", "UNREADABLE 1018-1018",
                     "UNREADABLE 1019-1019", "FLASH 1022-1022"}));
  ASSERT_EQ(report.frame_size(), kFrames);
  EXPECT_EQ(report.frame(0).file(), Plate(1001));
  EXPECT_EQ(report.frame(2).file(), "");
  EXPECT_EQ(report.frame(11).height(), 120u);
  EXPECT_NEAR(report.frame(0).blocks(), 1, 0.05);

  const Finished page = Intake({});
  EXPECT_EQ(page.exit_code, 0);
  EXPECT_SAYS(page.out, "  frames    1001-1024: 22 files, 2 missing, 2 not to be read\n");
  EXPECT_SAYS(page.out, "  1003-1004: there is no file.");
  EXPECT_SAYS(page.out, "  1006: plate.01006.exr says this number, too. A stack reads plate.1006.exr:");
  EXPECT_SAYS(page.out, "  1008: the picture is exactly that of the frame before.");
  EXPECT_SAYS(page.out, "  1010: torn: the upper 39 % of the picture is exactly that of the frame before");
  EXPECT_SAYS(page.out, "  1012: the picture is 160 x 120, not 160 x 128 like frame 1001.");
  EXPECT_SAYS(page.out, "  1013: the picture is OpenEXR, float: B G R, not OpenEXR, half: B G R like frame 1001.");
  EXPECT_SAYS(page.out, "  1014: 2 samples are infinite or no number;");
  EXPECT_SAYS(page.out, "  1016: clipped: green in 16 % of the picture (at 0.7).");
  EXPECT_SAYS(page.out, "  1018: " + Plate(1018) + " is damaged or cut short");
  EXPECT_SAYS(page.out, "  1022: 2.5 times as bright as the frames beside it");
  // Two reports of the same plate are the same bytes, also after a restart without its cache.
  EXPECT_EQ(Intake({}).out, page.out);
  const std::string file = studio_.file("intake.txt");
  EXPECT_EQ(Intake({"-o", file}).exit_code, 0);
  EXPECT_EQ(ReadFile(file), page.out);
  const Finished refused = Intake({"-o", file});
  EXPECT_EQ(refused.exit_code, 1);
  EXPECT_SAYS(refused.err, "is there already; --force replaces it");
  EXPECT_EQ(Intake({"-o", file, "--force"}).exit_code, 0);
  studio_.KillDaemon();
  fs::remove_all(studio_.file("state"));
  studio_.Start({.local_workers = 1});
  EXPECT_EQ(Intake({}).out, page.out);
}

TEST_F(TakingIn, EveryTypeOfFileSaysWhatItIs) {
  const std::pair<const char*, const char*> kTypes[] = {{"a.1001.dpx", "DPX, 16 bits: R G B"},
                                                        {"b.1001.png", "PNG, 16 bits: R G B"},
                                                        {"c.1001.tif", "TIFF, 16 bits: 3 channels"},
                                                        {"d.1001.jpg", "JPEG, 8 bits: Y Cb Cr"}};
  for (const auto& [name, type] : kTypes) {
    Write(studio_.file(name), Read(Plate(1001)), OIIO::TypeDesc::UINT16);
    const Finished f = Intake({}, name);
    EXPECT_EQ(f.exit_code, 0) << f.err;
    EXPECT_SAYS(f.out, absl::StrCat("  type      ", type, "\n"));
    EXPECT_SAYS(f.out, "  frames    one picture\n");
  }
}

// Code values that rise from left to right, with noise.
Rgb Ramp(uint32_t seed) {
  Rgb picture{160, 128, std::vector<float>(size_t{160} * 128 * 3)};
  for (int y = 0; y < 128; ++y) {
    for (int x = 0; x < 160; ++x) {
      for (int c = 0; c < 3; ++c) {
        seed = seed * 1664525 + 1013904223;
        picture.at(x, y)[c] =
            0.9f * static_cast<float>(x + c * y / 2) / 288 + 0.04f * static_cast<float>(seed >> 16) / 65536;
      }
    }
  }
  return picture;
}

TEST_F(TakingIn, BlocksOfAJpegAreSeen) {
  for (int quality : {30, 100}) {
    for (uint32_t frame = 1001; frame <= 1004; ++frame) {
      Write(studio_.file(absl::StrFormat("q%d.%04d.jpg", quality, frame)), Ramp(frame), OIIO::TypeDesc::UINT8, quality);
    }
  }
  EXPECT_EQ(Findings(Json({}, "q30.%04d.jpg")), Strings{"BLOCKS 1001-1004"});
  EXPECT_EQ(Findings(Json({}, "q100.%04d.jpg")), Strings{});
}

TEST_F(TakingIn, LightThatIsSaidToBeCodeValuesIsDoubted) {
  Change(1002, [](Rgb* p) { p->at(5, 5)[0] = 6; });
  const Finished f = Intake({"--encoding", "srgb"});
  EXPECT_EQ(f.exit_code, 0) << f.err;
  EXPECT_SAYS(f.out, "encoding  srgb;");
  EXPECT_SAYS(f.out, "  1001-1024: the values go from ");
  EXPECT_SAYS(f.out, "but srgb ends at 0 and 1: if this is linear light, say `--encoding linear`.");
}

TEST_F(TakingIn, WhatCannotBeTakenInIsSaidInWords) {
  const Finished none = Intake({}, "none.%04d.exr");
  EXPECT_EQ(none.exit_code, 1);
  EXPECT_SAYS(none.err, "if the daemon sees them, say which frames: --frames 1001-1048");
  // As if only the daemon saw them.
  const Finished missing = Intake({"--frames", "1001-1003"}, "none.%04d.exr");
  EXPECT_EQ(missing.exit_code, 0) << missing.err;
  EXPECT_SAYS(missing.out, "1001-1003: 0 files, 3 missing");
  EXPECT_SAYS(missing.out, "  1001-1003: there is no file.");
  const Finished many = Intake({"--frames", "1-100001"}, "none.%04d.exr");
  EXPECT_EQ(many.exit_code, 2);
  EXPECT_SAYS(many.err, "more than 100000");
  const Finished encoding = Intake({"--encoding", "log"});
  EXPECT_EQ(encoding.exit_code, 2);
  EXPECT_SAYS(encoding.err, "allowed: linear, srgb, bt709, printing_density, acescct");
  const Finished outside = studio_.Client({"intake", "/proc/self/%04d.exr", "--frames", "1-2"});
  EXPECT_EQ(outside.exit_code, 1) << outside.out;
  EXPECT_SAYS(outside.err, "outside the folders that the daemon may read");
  studio_.KillDaemon();
  EXPECT_EQ(Intake({}).exit_code, 3);
}

}  // namespace
}  // namespace selvage::e2e
