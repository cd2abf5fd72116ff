#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "proto/digest.h"
#include "tests/ops/file_tester.h"

namespace selvage::worker {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;

constexpr Rect kFormat{0, 0, 64, 40};

DeliverFile Params(DeliverFile::FileType type, Encoding encoding = ENCODING_LINEAR) {
  DeliverFile p;
  p.set_type(type);
  p.set_encoding(encoding);
  p.set_stack_name("apiary_010");
  p.set_version("9.8.7");
  return p;
}

std::string Delivered(const DeliverFile& p, std::vector<Input> inputs, const TaskSpec* task = nullptr) {
  auto bytes = FileOf("deliver_file", p, kFormat, std::move(inputs), task);
  EXPECT_TRUE(bytes.ok()) << bytes.status();
  return bytes.ok() ? *bytes : "";
}

// ---- OpenEXR ----

TEST(DeliverExr, PremultipliedHalvesComeBackBitByBit) {
  const Picture in = MakePicture(PREMULTIPLIED, kFormat);
  const ReadBack file("openexr", Delivered(Params(DeliverFile::EXR), {MakeInput("in", in)}));
  EXPECT_THAT(file.spec.channelnames, ElementsAre("R", "G", "B", "A"));
  EXPECT_EQ(file.spec.format, OIIO::TypeHalf);
  for (int y = 0; y < 40; ++y) {
    for (int x = 0; x < 64; ++x) {
      for (int c = 0; c < 4; ++c) ASSERT_EQ(file.At(x, y, c), in.planes[c].at(x, y));
    }
  }
}

TEST(DeliverExr, StraightColourIsMultiplied) {
  const ReadBack file(
      "openexr", Delivered(Params(DeliverFile::EXR), {MakeInput("in", Solid(STRAIGHT, kFormat, {0.5f, 1, 2, 0.25f}))}));
  EXPECT_EQ(file.At(3, 3, "R"), 0.125f);
  EXPECT_EQ(file.At(3, 3, "G"), 0.25f);
  EXPECT_EQ(file.At(3, 3, "B"), 0.5f);
  EXPECT_EQ(file.At(3, 3, "A"), 0.25f);
}

TEST(DeliverExr, LightWithoutCoverageIsKept) {
  const Picture glow = Solid(PREMULTIPLIED, kFormat, {4, 2, 1, 0});
  for (Encoding e : {ENCODING_LINEAR, ENCODING_ACESCCT}) {
    const ReadBack file("openexr", Delivered(Params(DeliverFile::EXR, e), {MakeInput("in", glow)}));
    EXPECT_GT(file.At(3, 3, "R"), 0.1f) << e;
    EXPECT_EQ(file.At(3, 3, "A"), 0);
  }
}

TEST(DeliverExr, AMatteIsTheOneChannelA) {
  const Picture in = MakePicture(MATTE, kFormat);
  const ReadBack file("openexr", Delivered(Params(DeliverFile::EXR), {MakeInput("in", in)}));
  EXPECT_THAT(file.spec.channelnames, ElementsAre("A"));
  EXPECT_EQ(file.At(50, 30, "A"), in.planes[0].at(50, 30));
}

TEST(DeliverExr, LayersHaveTheirNamesAndValues) {
  DeliverFile p = Params(DeliverFile::EXR);
  for (const char* name : {"core", "plate"}) p.add_layer()->set_name(name);
  const ReadBack file("openexr",
                      Delivered(p, {MakeInput("in", Solid(PREMULTIPLIED, kFormat, {0.5f, 0.25f, 0.125f, 0.5f})),
                                    MakeInput("layer[0].from", Solid(MATTE, kFormat, {0.75f})),
                                    MakeInput("layer[1].from", Solid(STRAIGHT, kFormat, {1, 2, 3, 0.5f}))}));
  EXPECT_EQ(file.spec.nchannels, 9);
  EXPECT_EQ(file.At(1, 1, "R"), 0.5f);
  EXPECT_EQ(file.At(1, 1, "core.A"), 0.75f);
  EXPECT_EQ(file.At(1, 1, "plate.R"), 0.5f);
  EXPECT_EQ(file.At(1, 1, "plate.B"), 1.5f);
  EXPECT_EQ(file.At(1, 1, "plate.A"), 0.5f);
}

TEST(DeliverExr, TheDataWindowIsTheUnionAndTheDisplayWindowTheFormat) {
  DeliverFile p = Params(DeliverFile::EXR);
  p.add_layer()->set_name("wide");
  const ReadBack file("openexr", Delivered(p, {MakeInput("in", Solid(PREMULTIPLIED, {10, 5, 30, 20}, {1, 1, 1, 1})),
                                               MakeInput("layer[0].from", Solid(MATTE, {-8, 8, 12, 50}, {1}))}));
  EXPECT_EQ(file.spec.x, -8);
  EXPECT_EQ(file.spec.y, 5);
  EXPECT_EQ(file.spec.width, 38);
  EXPECT_EQ(file.spec.height, 45);
  EXPECT_EQ(file.spec.full_x, 0);
  EXPECT_EQ(file.spec.full_width, 64);
  EXPECT_EQ(file.spec.full_height, 40);
  // Zero where a part has no pixels.
  EXPECT_EQ(file.At(10, 5, "A"), 1);
  EXPECT_EQ(file.At(9, 5, "A"), 0);
  EXPECT_EQ(file.At(11, 8, "wide.A"), 1);
  EXPECT_EQ(file.At(12, 8, "wide.A"), 0);
}

TEST(DeliverExr, TheHeaderTellsStackResultAndSoftware) {
  TaskSpec task;
  task.set_key(Sha256("some recipe").str());
  const ReadBack file("openexr",
                      Delivered(Params(DeliverFile::EXR), {MakeInput("in", MakePicture(MATTE, kFormat))}, &task));
  EXPECT_EQ(file.spec.get_string_attribute("selvage.stack"), "apiary_010");
  EXPECT_EQ(file.spec.get_string_attribute("selvage.result"), Sha256("some recipe").Hex());
  // As planned, whatever the worker's own version: the planner put it into the key.
  EXPECT_EQ(file.spec.get_string_attribute("Software", file.spec.get_string_attribute("software")), "selvage 9.8.7");
  EXPECT_EQ(file.spec.get_string_attribute("compression"), "zip");
}

TEST(DeliverExr, IsPackedAsAskedFor) {
  const Picture in = MakePicture(PREMULTIPLIED, kFormat);
  for (const auto& [compression, name] : {std::pair{COMPRESSION_ZIP, "zip"},
                                          {COMPRESSION_ZIPS, "zips"},
                                          {COMPRESSION_PIZ, "piz"},
                                          {COMPRESSION_NONE, "none"},
                                          {COMPRESSION_LOSSY_DWAA, "dwaa"}}) {
    DeliverFile p = Params(DeliverFile::EXR);
    p.set_compression(compression);
    const ReadBack file("openexr", Delivered(p, {MakeInput("in", in)}));
    EXPECT_EQ(file.spec.get_string_attribute("compression").substr(0, std::string(name).size()), name);
    if (compression == COMPRESSION_LOSSY_DWAA) continue;
    for (int x = 0; x < 64; ++x) ASSERT_EQ(file.At(x, 17, 1), in.planes[1].at(x, 17)) << name;
  }
}

TEST(DeliverExr, NothingThatIsNoNumberLeaves) {
  const ReadBack file("openexr",
                      Delivered(Params(DeliverFile::EXR), {MakeInput("in", MakeBadPicture(STRAIGHT, kFormat))}));
  for (float v : file.samples) ASSERT_TRUE(std::isfinite(v));
}

TEST(DeliverExr, EncodedColourIsEncodedStraight) {
  const ReadBack file("openexr",
                      Delivered(Params(DeliverFile::EXR, ENCODING_SRGB),
                                {MakeInput("in", Solid(PREMULTIPLIED, kFormat, {0.09f, 0.25f, 0.5f, 0.5f}))}));
  // IEC 61966-2-1: 0.18 -> 0.4613561, 0.5 -> 0.7353570, 1 -> 1; times the alpha.
  EXPECT_NEAR(file.At(0, 0, "R"), 0.4613561 / 2, 2e-4);
  EXPECT_NEAR(file.At(0, 0, "G"), 0.7353570 / 2, 2e-4);
  EXPECT_NEAR(file.At(0, 0, "B"), 0.5, 2e-4);
}

TEST(DeliverExr, NamelessAndEqualLayersAreErrors) {
  DeliverFile p = Params(DeliverFile::EXR);
  p.add_layer();
  const Picture a = MakePicture(MATTE, kFormat);
  auto bytes = FileOf("deliver_file", p, kFormat, {MakeInput("in", a), MakeInput("layer[0].from", a)});
  EXPECT_EQ(bytes.status().code(), absl::StatusCode::kInvalidArgument);
  p.mutable_layer(0)->set_name("core");
  p.add_layer()->set_name("core");
  bytes = FileOf("deliver_file", p, kFormat,
                 {MakeInput("in", a), MakeInput("layer[0].from", a), MakeInput("layer[1].from", a)});
  EXPECT_EQ(bytes.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(bytes.status().message()), HasSubstr("layer[1]"));
}

// What other people's tools make of the file, where they are installed.
std::string HeaderByExrheader(const std::string& bytes) {
  const auto path = std::filesystem::temp_directory_path() / ("deliver-" + std::to_string(getpid()) + ".exr");
  std::ofstream(path, std::ios::binary) << bytes;
  FILE* pipe = popen(("exrheader " + path.string()).c_str(), "r");
  std::string text;
  std::array<char, 4096> part;
  for (size_t n; (n = fread(part.data(), 1, part.size(), pipe)) > 0;) text.append(part.data(), n);
  EXPECT_EQ(pclose(pipe), 0);
  std::filesystem::remove(path);
  return text;
}
#define EXRHEADER_OR_SKIP() \
  if (std::system("command -v exrheader >/dev/null 2>&1") != 0) GTEST_SKIP() << "exrheader is not installed"

TEST(DeliverExr, ExrheaderAgrees) {
  EXRHEADER_OR_SKIP();
  const std::string text = HeaderByExrheader(
      Delivered(Params(DeliverFile::EXR), {MakeInput("in", Solid(PREMULTIPLIED, {-4, 2, 60, 38}, {1, 1, 1, 1}))}));
  for (const char* line : {"dataWindow (type box2i): (-4 2) - (59 37)", "displayWindow (type box2i): (0 0) - (63 39)",
                           "A, 16-bit floating-point, sampling 1 1", "selvage.stack (type string): \"apiary_010\"",
                           "compression (type compression): zip"}) {
    EXPECT_THAT(text, HasSubstr(line));
  }
}

// ---- what the plate says beside its pixels ----

FileMetadata EverythingThatAPlateSays() {
  FileMetadata m;
  m.set_pixel_aspect(2);
  m.set_timecode(0x01020304);
  m.set_timecode_user(77);
  m.set_rate_numerator(24000);
  m.set_rate_denominator(1001);
  for (float v : {0.75f, 0.25f, 0.f, 1.f, 0.125f, -0.0625f, 0.3125f, 0.375f}) m.add_chromaticity(v);
  m.set_reel("A012");
  m.set_origin_x(20);
  m.set_origin_y(30);
  return m;
}

TEST(DeliverMetadata, ExrHoldsAllOfIt) {
  EXRHEADER_OR_SKIP();
  DeliverFile p = Params(DeliverFile::EXR);
  *p.mutable_metadata() = EverythingThatAPlateSays();
  const std::string text =
      HeaderByExrheader(Delivered(p, {MakeInput("in", Solid(PREMULTIPLIED, {-4, 2, 60, 38}, {1, 1, 1, 1}))}));
  for (const char* line :
       {"dataWindow (type box2i): (16 32) - (79 67)", "displayWindow (type box2i): (20 30) - (83 69)",
        "pixelAspectRatio (type float): 2", "time 01:02:03:04", "framesPerSecond (type rational): 24000/1001",
        "red   (0.75 0.25)", "white (0.3125 0.375)", "reelName (type string): \"A012\""}) {
    EXPECT_THAT(text, HasSubstr(line));
  }
}

TEST(DeliverMetadata, PixelsStayWhereTheyAreWhenTheWindowMoves) {
  DeliverFile p = Params(DeliverFile::EXR);
  p.mutable_metadata()->set_origin_x(-5);
  p.mutable_metadata()->set_origin_y(7);
  const Picture in = MakePicture(PREMULTIPLIED, kFormat);
  const ReadBack file("openexr", Delivered(p, {MakeInput("in", in)}));
  EXPECT_EQ(file.spec.full_x, -5);
  EXPECT_EQ(file.spec.full_y, 7);
  for (int c = 0; c < 4; ++c) EXPECT_EQ(file.At(13 - 5, 11 + 7, c), in.planes[c].at(13, 11));
}

// Read back by OpenImageIO.
TEST(DeliverMetadata, DpxHoldsAspectTimeAndRate) {
  DeliverFile p = Params(DeliverFile::DPX, ENCODING_PRINTING_DENSITY);
  *p.mutable_metadata() = EverythingThatAPlateSays();
  const ReadBack file("dpx", Delivered(p, {MakeInput("in", MakePicture(OPAQUE, kFormat))}));
  EXPECT_EQ(file.spec.get_float_attribute("PixelAspectRatio"), 2);
  EXPECT_NEAR(file.spec.get_float_attribute("dpx:TemporalFrameRate"), 23.976, 1e-3);
  EXPECT_NEAR(file.spec.get_float_attribute("dpx:FrameRate"), 23.976, 1e-3);
  const auto* time = file.spec.find_attribute("smpte:TimeCode");
  ASSERT_NE(time, nullptr);
  EXPECT_EQ(static_cast<const uint32_t*>(time->data())[0], 0x01020304u);
  EXPECT_EQ(static_cast<const uint32_t*>(time->data())[1], 77u);
}

TEST(DeliverMetadata, TiffAndPngHoldTheAspect) {
  for (auto [type, format] : {std::pair{DeliverFile::TIFF, "tiff"}, {DeliverFile::PNG, "png"}}) {
    DeliverFile p = Params(type, ENCODING_SRGB);
    *p.mutable_metadata() = EverythingThatAPlateSays();
    const ReadBack file(format, Delivered(p, {MakeInput("in", MakePicture(OPAQUE, kFormat))}));
    const float x = file.spec.get_float_attribute("XResolution"), y = file.spec.get_float_attribute("YResolution");
    EXPECT_NEAR(y / x, 2, 1e-3) << format;
  }
}

std::vector<std::string> WarningsOf(DeliverFile::FileType type, const FileMetadata& metadata) {
  DeliverFile p = Params(type);
  *p.mutable_metadata() = metadata;
  std::vector<std::string> warnings;
  OpContext context;
  context.format = kFormat;
  context.warning = [&](const std::string& sentence) { warnings.push_back(sentence); };
  const Inputs inputs({MakeInput("in", MakePicture(OPAQUE, kFormat))});
  EXPECT_TRUE(FindOp("deliver_file")->RenderBlob(context, p, inputs).ok());
  return warnings;
}

TEST(DeliverMetadata, WhatIsLostIsAWarning) {
  EXPECT_THAT(WarningsOf(DeliverFile::EXR, EverythingThatAPlateSays()), testing::IsEmpty());
  EXPECT_THAT(WarningsOf(DeliverFile::DPX, EverythingThatAPlateSays()),
              ElementsAre(HasSubstr("its chromaticities, reel name, origin of the display window: deliver EXR")));
  for (auto type : {DeliverFile::TIFF, DeliverFile::PNG}) {
    EXPECT_THAT(WarningsOf(type, EverythingThatAPlateSays()), ElementsAre(HasSubstr("its time code, frame rate, ")));
  }
  FileMetadata aspect;
  aspect.set_pixel_aspect(2);
  EXPECT_THAT(WarningsOf(DeliverFile::PNG, aspect), testing::IsEmpty());
}

// ---- DPX ----

// SMPTE ST 268 method A; a file written by OpenImageIO, taken apart by hand, agrees: R in bits 31-22, G 21-12, B 11-2,
// so (685, 95, 445) = 0xAB45F6F4.
TEST(DeliverDpx, WordsAreFilledMethodA) {
  const double black = std::pow(10, (95 - 685) / 300.0);
  std::vector<float> light;
  for (int code : {685, 95, 445})
    light.push_back(static_cast<float>((std::pow(10, (code - 685) / 300.0) - black) / (1 - black)));
  light.push_back(1);
  const std::string bytes =
      Delivered(Params(DeliverFile::DPX, ENCODING_PRINTING_DENSITY), {MakeInput("in", Solid(OPAQUE, kFormat, light))});
  ASSERT_EQ(bytes.size(), 2048u + 64 * 40 * 4);
  EXPECT_EQ(bytes.substr(2048, 4), "\xAB\x45\xF6\xF4");
  EXPECT_EQ(bytes.substr(0, 4), "SDPX");
  const ReadBack file("dpx", bytes);
  EXPECT_EQ(file.spec.width, 64);
  EXPECT_EQ(file.spec.height, 40);
  EXPECT_EQ(file.spec.get_int_attribute("oiio:BitsPerSample"), 10);
  EXPECT_EQ(file.spec.get_string_attribute("dpx:Transfer"), "Printing density");
  EXPECT_EQ(file.spec.get_string_attribute("dpx:Packing"), "Filled, method A");
  EXPECT_EQ(file.spec.get_string_attribute("DateTime"), "");
  EXPECT_NEAR(file.At(63, 39, 0) * 1023, 685, 0.1);
  EXPECT_NEAR(file.At(63, 39, 2) * 1023, 445, 0.1);
}

TEST(DeliverDpx, ColourIsOverBlackAndAMatteOnAllChannels) {
  const ReadBack color(
      "dpx", Delivered(Params(DeliverFile::DPX), {MakeInput("in", Solid(STRAIGHT, kFormat, {1, 0.5f, 0, 0.5f}))}));
  EXPECT_NEAR(color.At(1, 1, 0) * 1023, 512, 0.6);
  EXPECT_NEAR(color.At(1, 1, 1) * 1023, 256, 0.6);
  const ReadBack matte("dpx", Delivered(Params(DeliverFile::DPX, ENCODING_PRINTING_DENSITY),
                                        {MakeInput("in", Solid(MATTE, kFormat, {0.25f}))}));
  for (int c = 0; c < 3; ++c) EXPECT_NEAR(matte.At(1, 1, c) * 1023, 256, 0.6);
}

// ---- integers ----

TEST(DeliverIntegers, SixteenBitCodesWithStraightAlpha) {
  for (auto [type, format] : {std::pair{DeliverFile::PNG, "png"}, {DeliverFile::TIFF, "tiff"}}) {
    const ReadBack file(format,
                        Delivered(Params(type, ENCODING_SRGB),
                                  {MakeInput("in", Solid(PREMULTIPLIED, kFormat, {0.09f, 0.25f, 0.5f, 0.5f}))}));
    EXPECT_EQ(file.spec.format, OIIO::TypeUInt16) << format;
    EXPECT_EQ(file.spec.nchannels, 4);
    EXPECT_EQ(file.spec.get_string_attribute("DateTime"), "");
    // IEC 61966-2-1 values as above; 16 bits resolve 8e-6.
    EXPECT_NEAR(file.At(5, 5, 0), 0.4613561, 1e-5) << format;
    EXPECT_NEAR(file.At(5, 5, 1), 0.7353570, 1e-5) << format;
    EXPECT_NEAR(file.At(5, 5, 2), 1, 1e-5);
    EXPECT_NEAR(file.At(5, 5, 3), 0.5, 1e-5);
  }
}

TEST(DeliverIntegers, OpaqueHasNoAlphaAndAMatteIsGreyAndNotEncoded) {
  for (auto [type, format] : {std::pair{DeliverFile::PNG, "png"}, {DeliverFile::TIFF, "tiff"}}) {
    const ReadBack color(format,
                         Delivered(Params(type, ENCODING_SRGB), {MakeInput("in", MakePicture(OPAQUE, kFormat))}));
    EXPECT_EQ(color.spec.nchannels, 3) << format;
    const ReadBack matte(format,
                         Delivered(Params(type, ENCODING_SRGB), {MakeInput("in", Solid(MATTE, kFormat, {0.25f}))}));
    EXPECT_EQ(matte.spec.nchannels, 1) << format;
    EXPECT_NEAR(matte.At(5, 5, 0), 0.25, 1e-5);
  }
}

TEST(DeliverIntegers, TheWindowIsCutToTheFormatAndFilledWithNoLight) {
  const ReadBack file("png", Delivered(Params(DeliverFile::PNG, ENCODING_ACESCCT),
                                       {MakeInput("in", Solid(PREMULTIPLIED, {-10, 10, 32, 90}, {1, 1, 1, 1}))}));
  EXPECT_EQ(file.spec.width, 64);
  EXPECT_EQ(file.spec.height, 40);
  // AMPAS S-2016-001: 1 -> 0.5547945, 0 -> 0.0729055.
  EXPECT_NEAR(file.At(31, 10, 0), 0.5547945, 1e-5);
  EXPECT_NEAR(file.At(32, 10, 0), 0.0729055, 1e-5);
  EXPECT_NEAR(file.At(0, 9, 0), 0.0729055, 1e-5);
  EXPECT_EQ(file.At(0, 9, 3), 0);
}

TEST(DeliverIntegers, LayersAreAnError) {
  DeliverFile p = Params(DeliverFile::PNG);
  p.add_layer()->set_name("core");
  const Picture a = MakePicture(MATTE, kFormat);
  const auto bytes = FileOf("deliver_file", p, kFormat, {MakeInput("in", a), MakeInput("layer[0].from", a)});
  EXPECT_EQ(bytes.status().code(), absl::StatusCode::kInvalidArgument);
}

TEST(DeliverFile, TheSameBytesEveryTime) {
  for (auto type : {DeliverFile::EXR, DeliverFile::DPX, DeliverFile::TIFF, DeliverFile::PNG}) {
    const auto once = [&] { return Delivered(Params(type), {MakeInput("in", MakePicture(STRAIGHT, kFormat))}); };
    EXPECT_EQ(once(), once()) << type;
  }
}

}  // namespace
}  // namespace selvage::worker
