#include "worker/files/plate_reader.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <OpenEXR/ImfArray.h>
#include <OpenEXR/ImfRgbaFile.h>
#include <OpenImageIO/imageio.h>

#include <bit>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>

#include "proto/digest.h"
#include "worker/files/plate_file.h"
#include "worker/picture/window.h"

namespace selvage::worker {
namespace {

namespace fs = std::filesystem;
using testing::ElementsAre;
using testing::HasSubstr;

std::string Slurp(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}
void Spill(const std::string& path, const std::string& bytes) { std::ofstream(path, std::ios::binary) << bytes; }

class PlateReader : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() / ("plates-" + std::to_string(getpid()) + "-" +
                                           testing::UnitTest::GetInstance()->current_test_info()->name());
    fs::create_directories(folder_);
  }
  void TearDown() override { fs::remove_all(folder_); }

  std::string Path(const std::string& name) const { return (folder_ / name).string(); }

  // Writes rows of interleaved samples of type T.
  template <class T>
  std::string Write(const std::string& name, int width, int height, const std::vector<std::string>& channels,
                    const std::vector<T>& samples, const std::function<void(OIIO::ImageSpec&)>& more = {}) {
    const std::string path = Path(name);
    OIIO::ImageSpec spec(width, height, static_cast<int>(channels.size()), OIIO::BaseTypeFromC<T>::value);
    spec.channelnames = channels;
    spec.alpha_channel = channels.back() == "A" ? spec.nchannels - 1 : -1;
    if (more) more(spec);
    auto out = OIIO::ImageOutput::create(path);
    EXPECT_TRUE(out && out->open(path, spec)) << OIIO::geterror();
    EXPECT_TRUE(out->write_image(OIIO::BaseTypeFromC<T>::value, samples.data())) << out->geterror();
    EXPECT_TRUE(out->close());
    return path;
  }

  // A picture with detail, so that compressed files have something to lose.
  std::string WriteNoise(const std::string& name) {
    std::vector<uint8_t> samples(64 * 48 * 3);
    uint32_t state = 1;
    for (uint8_t& s : samples) s = static_cast<uint8_t>((state = state * 1664525 + 1013904223) >> 24);
    return Write<uint8_t>(name, 64, 48, {"R", "G", "B"}, samples);
  }

  fs::path folder_;
};

PlateRead ReadOf(const std::string& path, Encoding encoding = ENCODING_LINEAR, Plate::Alpha alpha = Plate::NONE) {
  PlateRead read;
  read.set_path(path);
  read.set_digest(Sha256(Slurp(path)).str());
  read.set_encoding(encoding);
  read.set_alpha(alpha);
  return read;
}

absl::StatusOr<Picture> ReadPicture(const PlateRead& read, const Rect& format, const PlateLimits& limits = {}) {
  auto plate = ReadPlate(read, format, limits);
  if (!plate.ok()) return plate.status();
  return plate->Read(plate->window);
}

std::vector<float> PixelAt(const Picture& p, int x, int y) {
  std::vector<float> values;
  for (const Plane& plane : p.planes) values.push_back(plane.at(x, y));
  return values;
}

std::string DataFolder() {
  const char* folder = std::getenv("SELVAGE_TEST_DATA");
  return folder ? folder : "";
}
#define DATA_OR_SKIP(folder)               \
  const std::string folder = DataFolder(); \
  if (folder.empty()) GTEST_SKIP() << "SELVAGE_TEST_DATA is not set"

// ---- outside files ----

// Data windows and display windows as exrheader prints them.
TEST_F(PlateReader, WindowsOfTheOpenExrTestFilesAreKept) {
  DATA_OR_SKIP(data);
  struct Case {
    const char* file;
    Rect data;
    uint32_t width, height;
  };
  for (const Case& c : {Case{"t05", {-30, -20, 370, 280}, 340, 260}, Case{"t08", {30, 40, 430, 340}, 501, 401},
                        Case{"t12", {0, 100, 400, 400}, 400, 100}}) {
    const std::string path = data + "/exr/" + c.file + ".exr";
    auto facts = InspectPlateFile(path);
    ASSERT_TRUE(facts.ok()) << facts.status();
    EXPECT_EQ(ToRect(facts->data_window()), c.data) << c.file;
    EXPECT_EQ(facts->format().width(), c.width) << c.file;
    EXPECT_EQ(facts->format().height(), c.height) << c.file;
    EXPECT_THAT(facts->part(0).channel(), ElementsAre("R", "G", "B"));

    const Rect format{0, 0, static_cast<int>(c.width), static_cast<int>(c.height)};
    auto picture = ReadPicture(ReadOf(path), format);
    ASSERT_TRUE(picture.ok()) << picture.status();
    EXPECT_EQ(picture->rect(), format.Union(c.data)) << c.file;
    EXPECT_EQ(picture->kind, OPAQUE);
    // Every pixel against OpenEXR's own reader; zero outside the data window.
    Imf::RgbaInputFile file(path.c_str());
    const auto dw = file.dataWindow();
    Imf::Array2D<Imf::Rgba> want(dw.max.y - dw.min.y + 1, dw.max.x - dw.min.x + 1);
    file.setFrameBuffer(&want[0][0] - dw.min.x - dw.min.y * want.width(), 1, want.width());
    file.readPixels(dw.min.y, dw.max.y);
    for (int y = picture->rect().y0; y < picture->rect().y1; ++y) {
      for (int x = picture->rect().x0; x < picture->rect().x1; ++x) {
        const bool inside = c.data.Contains({x, y, x + 1, y + 1});
        const Imf::Rgba w = inside ? want[y - c.data.y0][x - c.data.x0] : Imf::Rgba(0.f, 0.f, 0.f);
        ASSERT_THAT(PixelAt(*picture, x, y), ElementsAre(float(w.r), float(w.g), float(w.b), 1.0f)) << x << "," << y;
      }
    }
  }
}

// openexr-images: "Premultiplied alpha with A == 0 and RGB != 0" on 85 % of the
// pixels, values to 413.
TEST_F(PlateReader, LightWithoutCoverageIsKept) {
  DATA_OR_SKIP(data);
  auto p = ReadPicture(ReadOf(data + "/exr/CandleGlass.exr", ENCODING_LINEAR, Plate::ASSOCIATED), {0, 0, 1000, 810});
  ASSERT_TRUE(p.ok()) << p.status();
  EXPECT_EQ(p->kind, PREMULTIPLIED);
  size_t glowing = 0;
  float brightest = 0;
  for (int y = 0; y < 810; ++y) {
    for (int x = 0; x < 1000; ++x) {
      glowing +=
          p->planes[3].at(x, y) == 0 && p->planes[0].at(x, y) + p->planes[1].at(x, y) + p->planes[2].at(x, y) != 0;
      for (int c = 0; c < 3; ++c) brightest = std::max(brightest, p->planes[c].at(x, y));
    }
  }
  EXPECT_NEAR(glowing / 810000.0, 0.85, 0.01);
  EXPECT_NEAR(brightest, 413, 1);
}

TEST_F(PlateReader, AllHalfValuesComeBackBitByBit) {
  DATA_OR_SKIP(data);
  auto p = ReadPicture(ReadOf(data + "/exr/AllHalfValues.exr"), {0, 0, 256, 256});
  ASSERT_TRUE(p.ok()) << p.status();
  std::vector<bool> seen(65536);
  for (int y = 0; y < 256; ++y) {
    for (int x = 0; x < 256; ++x) {
      const float v = p->planes[0].at(x, y);
      const half h(v);
      ASSERT_EQ(static_cast<float>(h), v);
      seen[h.bits()] = true;
    }
  }
  // All but the 2 x 1023 patterns of NaN, two infinities, and -0.
  EXPECT_EQ(std::count(seen.begin(), seen.end(), true), 65536 - 2046 - 3);
}

TEST_F(PlateReader, NotANumberAndInfinityGoNowhere) {
  DATA_OR_SKIP(data);
  auto p = ReadPicture(ReadOf(data + "/exr/BrightRingsNanInf.exr"), {0, 0, 800, 800});
  ASSERT_TRUE(p.ok()) << p.status();
  int largest = 0;
  for (int y = 0; y < 800; ++y) {
    for (int x = 0; x < 800; ++x) {
      ASSERT_TRUE(std::isfinite(p->planes[0].at(x, y)));
      largest += p->planes[0].at(x, y) == 65504;
    }
  }
  EXPECT_GT(largest, 0) << "what was infinite";
}

// They are counted on the way, in halves that are read quickly and in what else there is.
TEST_F(PlateReader, NotANumberAndInfinityAreCounted) {
  const std::vector<float> samples = {0.5f, NAN, 0.25f, INFINITY, -INFINITY, 1e30f, 1, 2, 3, 4, 5, 6};
  for (const auto& [type, expected] : {std::pair{OIIO::TypeDesc::HALF, 4}, {OIIO::TypeDesc::FLOAT, 3}}) {
    const std::string path = Write<float>("bad.exr", 4, 1, {"R", "G", "B"}, samples,
                                          [t = type](OIIO::ImageSpec& spec) { spec.set_format(t); });
    for (Encoding encoding : {ENCODING_LINEAR, ENCODING_SRGB}) {
      const auto plate = ReadPlate(ReadOf(path, encoding), {0, 0, 4, 1});
      ASSERT_TRUE(plate.ok()) << plate.status();
      // 1e30 is infinite as a half.
      EXPECT_EQ(plate->not_finite, static_cast<uint64_t>(expected)) << encoding;
    }
  }
  DATA_OR_SKIP(data);
  const auto rings = ReadPlate(ReadOf(data + "/exr/BrightRingsNanInf.exr"), {0, 0, 800, 800});
  ASSERT_TRUE(rings.ok());
  auto in = OIIO::ImageInput::open(data + "/exr/BrightRingsNanInf.exr");
  std::vector<float> all(size_t{800} * 800 * 3);
  ASSERT_TRUE(in && in->read_image(0, 0, 0, 3, OIIO::TypeDesc::FLOAT, all.data()));
  EXPECT_EQ(rings->not_finite,
            static_cast<uint64_t>(std::count_if(all.begin(), all.end(), [](float v) { return !std::isfinite(v); })));
  EXPECT_GT(rings->not_finite, 0u);
}

// Codes as listed beside the file; first word 0xAB45F6F4 parsed by hand (ST 268
// method A). Values from the printing-density formula.
TEST_F(PlateReader, DpxCodesOfMethodAAreExact) {
  DATA_OR_SKIP(data);
  const std::string path = data + "/dpx/rgb10_methodA_le_4x2.dpx";
  const int codes[2][4][3] = {{{685, 95, 445}, {0, 1023, 512}, {1, 2, 4}, {1000, 900, 800}},
                              {{10, 20, 30}, {40, 50, 60}, {70, 80, 90}, {100, 110, 120}}};
  auto raw = ReadPicture(ReadOf(path), {0, 0, 4, 2});
  ASSERT_TRUE(raw.ok()) << raw.status();
  auto light = ReadPicture(ReadOf(path, ENCODING_PRINTING_DENSITY), {0, 0, 4, 2});
  ASSERT_TRUE(light.ok()) << light.status();
  const double black = std::pow(10, (95 - 685) / 300.0);
  for (int y = 0; y < 2; ++y) {
    for (int x = 0; x < 4; ++x) {
      for (int c = 0; c < 3; ++c) {
        EXPECT_EQ(raw->planes[c].at(x, y), float(half(codes[y][x][c] / 1023.0f)));
        const double want = (std::pow(10, (codes[y][x][c] - 685) / 300.0) - black) / (1 - black);
        EXPECT_NEAR(light->planes[c].at(x, y), want, std::max(1e-7, std::fabs(want) / 2048)) << codes[y][x][c];
      }
    }
  }
  EXPECT_EQ(light->planes[0].at(0, 0), 1.0f);
}

// ---- encodings and alpha ----

// IEC 61966-2-1, decode of 8-bit codes (NumPy and OpenColorIO agree).
TEST_F(PlateReader, SrgbPngIsDecodedToLight) {
  const std::string path =
      Write<uint8_t>("a.png", 4, 1, {"R", "G", "B"}, {1, 10, 11, 50, 118, 128, 188, 0, 255, 7, 7, 7});
  auto p = ReadPicture(ReadOf(path, ENCODING_SRGB), {0, 0, 4, 1});
  ASSERT_TRUE(p.ok()) << p.status();
  EXPECT_THAT(PixelAt(*p, 0, 0),
              ElementsAre(float(half(0.000303527f)), float(half(0.00303527f)), float(half(0.00334654f)), 1));
  EXPECT_THAT(PixelAt(*p, 1, 0),
              ElementsAre(float(half(0.0318960f)), float(half(0.1811642f)), float(half(0.2158605f)), 1));
  EXPECT_THAT(PixelAt(*p, 2, 0), ElementsAre(float(half(0.5028865f)), 0, 1, 1));
}

TEST_F(PlateReader, GreyFilesGiveEqualChannels) {
  for (const char* name : {"g.png", "g.tif", "g.jpg"}) {
    const std::string path = Write<uint8_t>(name, 2, 1, {"Y"}, {128, 128});
    auto p = ReadPicture(ReadOf(path, ENCODING_SRGB), {0, 0, 2, 1});
    ASSERT_TRUE(p.ok()) << p.status();
    const float v = half(0.2158605f);
    EXPECT_THAT(PixelAt(*p, 1, 0), ElementsAre(v, v, v, 1)) << name;
  }
}

TEST_F(PlateReader, StraightAlphaIsNotMultipliedIn) {
  for (const char* name : {"s.png", "s.tif"}) {
    const std::string path = Write<uint8_t>(name, 1, 1, {"R", "G", "B", "A"}, {255, 128, 0, 51},
                                            [](OIIO::ImageSpec& s) { s["oiio:UnassociatedAlpha"] = 1; });
    auto p = ReadPicture(ReadOf(path, ENCODING_SRGB, Plate::UNASSOCIATED), {0, 0, 1, 1});
    ASSERT_TRUE(p.ok()) << p.status();
    EXPECT_EQ(p->kind, STRAIGHT);
    EXPECT_THAT(PixelAt(*p, 0, 0), ElementsAre(1, float(half(0.2158605f)), 0, float(half(0.2f)))) << name;
  }
}

TEST_F(PlateReader, AlphaIsIgnoredWhereThePlateSaysNone) {
  const std::string path = Write<uint8_t>("n.png", 1, 1, {"R", "G", "B", "A"}, {255, 255, 255, 51},
                                          [](OIIO::ImageSpec& s) { s["oiio:UnassociatedAlpha"] = 1; });
  auto p = ReadPicture(ReadOf(path, ENCODING_SRGB), {0, 0, 1, 1});
  ASSERT_TRUE(p.ok()) << p.status();
  EXPECT_EQ(p->kind, OPAQUE);
  EXPECT_THAT(PixelAt(*p, 0, 0), ElementsAre(1, 1, 1, 1));
}

// Code 128 of straight colour at half coverage, stored multiplied.
TEST_F(PlateReader, AssociatedCodesAreDividedBeforeDecoding) {
  const std::string path = Write<float>("m.tif", 1, 1, {"R", "G", "B", "A"}, {128 / 510.f, 0.5f, 0, 0.5f});
  auto p = ReadPicture(ReadOf(path, ENCODING_SRGB, Plate::ASSOCIATED), {0, 0, 1, 1});
  ASSERT_TRUE(p.ok()) << p.status();
  EXPECT_EQ(p->kind, PREMULTIPLIED);
  EXPECT_THAT(PixelAt(*p, 0, 0), ElementsAre(float(half(0.2158605f / 2)), 0.5f, 0, 0.5f));
}

TEST_F(PlateReader, AMatteIsAlphaOrTheFirstChannelAndNotLight) {
  const std::string grey = Write<uint8_t>("y.png", 1, 1, {"Y"}, {51});
  const std::string color = Write<uint8_t>("c.png", 1, 1, {"R", "G", "B"}, {102, 0, 0});
  const std::string alpha = Write<float>("a.exr", 1, 1, {"R", "G", "B", "A"}, {1, 1, 1, 0.25f});
  for (auto [path, want] : {std::pair{grey, 0.2f}, {color, 0.4f}, {alpha, 0.25f}}) {
    auto p = ReadPicture(ReadOf(path, ENCODING_SRGB, Plate::MATTE_ONLY), {0, 0, 1, 1});
    ASSERT_TRUE(p.ok()) << p.status();
    EXPECT_EQ(p->kind, MATTE);
    EXPECT_THAT(PixelAt(*p, 0, 0), ElementsAre(float(half(want)))) << path;
  }
}

TEST_F(PlateReader, OpenExrChannelsAreTakenByName) {
  const std::string path = Write<float>("n.exr", 1, 1, {"depth.Z", "G", "B", "A", "R"}, {9, 2, 3, 0.5f, 1});
  auto p = ReadPicture(ReadOf(path, ENCODING_LINEAR, Plate::UNASSOCIATED), {0, 0, 1, 1});
  ASSERT_TRUE(p.ok()) << p.status();
  EXPECT_THAT(PixelAt(*p, 0, 0), ElementsAre(1, 2, 3, 0.5f));
}

TEST_F(PlateReader, MissingChannelsAreNamed) {
  const std::string odd = Write<float>("o.exr", 1, 1, {"U", "V"}, {1, 2});
  auto p = ReadPicture(ReadOf(odd), {0, 0, 1, 1});
  EXPECT_EQ(p.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(p.status().message()), HasSubstr("it has: U, V"));
  const std::string solid = Write<float>("s.exr", 1, 1, {"R", "G", "B"}, {1, 2, 3});
  p = ReadPicture(ReadOf(solid, ENCODING_LINEAR, Plate::ASSOCIATED), {0, 0, 1, 1});
  EXPECT_THAT(std::string(p.status().message()), HasSubstr("has no alpha channel"));
}

TEST_F(PlateReader, TiledFilesReadAsScanlineFiles) {
  std::vector<float> samples;
  for (int i = 0; i < 70 * 50 * 3; ++i) samples.push_back(static_cast<float>(i % 1999));
  const auto tiles = [](OIIO::ImageSpec& s) { s.tile_width = s.tile_height = 32; };
  auto a = ReadPicture(ReadOf(Write<float>("a.exr", 70, 50, {"R", "G", "B"}, samples)), {0, 0, 70, 50});
  auto b = ReadPicture(ReadOf(Write<float>("b.exr", 70, 50, {"R", "G", "B"}, samples, tiles)), {0, 0, 70, 50});
  ASSERT_TRUE(a.ok() && b.ok()) << a.status() << b.status();
  for (int y = 0; y < 50; ++y) {
    for (int x = 0; x < 70; ++x) {
      ASSERT_EQ(PixelAt(*a, x, y), PixelAt(*b, x, y));
      ASSERT_EQ(a->planes[1].at(x, y), float(half(samples[(y * 70 + x) * 3 + 1])));
    }
  }
}

// ---- what is refused ----

TEST_F(PlateReader, OtherBytesThanPlannedAreAnAbort) {
  const std::string path = WriteNoise("p.png");
  PlateRead read = ReadOf(path);
  WriteNoise("q.png");
  Spill(path, Slurp(path) + "x");
  auto p = ReadPicture(read, {0, 0, 64, 48});
  EXPECT_EQ(p.status().code(), absl::StatusCode::kAborted);
  EXPECT_THAT(std::string(p.status().message()), HasSubstr("plate changed"));
}

TEST_F(PlateReader, EachUnreadableFileHasItsSentence) {
  fs::create_directory(Path("folder.exr"));
  Spill(Path("empty.exr"), "");
  Spill(Path("text.exr"), "plate as text");
  fs::copy_file(WriteNoise("real.png"), Path("png.exr"));
  ASSERT_EQ(mkfifo(Path("pipe.exr").c_str(), 0600), 0);
  struct Case {
    const char* file;
    absl::StatusCode code;
    const char* says;
  };
  for (const Case& c :
       {Case{"none.exr", absl::StatusCode::kNotFound, "does not exist"},
        Case{"folder.exr", absl::StatusCode::kInvalidArgument, "is a folder"},
        Case{"empty.exr", absl::StatusCode::kInvalidArgument, "is empty"},
        Case{"text.exr", absl::StatusCode::kInvalidArgument, "is no picture"},
        Case{"pipe.exr", absl::StatusCode::kInvalidArgument, "not a regular file"},
        Case{"png.exr", absl::StatusCode::kInvalidArgument, "holds a PNG file, but its name says an OpenEXR file"}}) {
    auto facts = InspectPlateFile(Path(c.file));
    EXPECT_EQ(facts.status().code(), c.code) << c.file;
    EXPECT_THAT(std::string(facts.status().message()), HasSubstr(c.says));
    EXPECT_THAT(std::string(facts.status().message()), HasSubstr(Path(c.file)));
    EXPECT_THAT(std::string(facts.status().message()), testing::Not(HasSubstr("\n")));
  }
}

TEST_F(PlateReader, NoCutFileIsEverTaken) {
  for (const char* name : {"n.exr", "n.dpx", "n.tif", "n.png", "n.jpg"}) {
    const std::string whole = Slurp(WriteNoise(name));
    const std::string path = Path(std::string("cut-") + name);
    const PlateRead full = ReadOf(Path(name));
    ASSERT_TRUE(ReadPicture(full, {0, 0, 64, 48}).ok()) << ReadPicture(full, {0, 0, 64, 48}).status();
    for (size_t length = 1; length < whole.size(); length += 1 + whole.size() / 150) {
      Spill(path, whole.substr(0, length));
      auto p = ReadPicture(ReadOf(path), {0, 0, 64, 48});
      ASSERT_FALSE(p.ok()) << name << " cut at " << length << " of " << whole.size();
      ASSERT_EQ(p.status().code(), absl::StatusCode::kInvalidArgument) << p.status();
    }
  }
}

TEST_F(PlateReader, FlippedBytesNeverCrash) {
  for (const char* name : {"n.exr", "n.dpx", "n.tif", "n.png", "n.jpg"}) {
    const std::string whole = Slurp(WriteNoise(name));
    const std::string path = Path(std::string("bad-") + name);
    uint32_t state = 7;
    for (int i = 0; i < 300; ++i) {
      std::string bytes = whole;
      for (int k = 0; k < 3; ++k) {
        state = state * 1664525 + 1013904223;
        // Mostly in the header, where the numbers are.
        const size_t at = (state >> 8) % (i % 2 ? bytes.size() : std::min<size_t>(bytes.size(), 900));
        bytes[at] = static_cast<char>(state >> 24);
      }
      Spill(path, bytes);
      auto p = ReadPicture(ReadOf(path), {0, 0, 64, 48});
      if (p.ok()) {
        EXPECT_LE(p->rect().area(), size_t{1} << 28);
      }
    }
  }
}

// An OpenEXR header that declares 31623 x 31623 = 10^9 pixels in 300 bytes.
TEST_F(PlateReader, HugeWindowsAreRefusedBeforeAnythingIsAllocated) {
  std::string bytes = Slurp(Write<float>("small.exr", 2, 2, {"R", "G", "B"}, std::vector<float>(12, 1)));
  const size_t at = bytes.find("dataWindow") + sizeof("dataWindow") + sizeof("box2i") + 4;
  for (auto [width, says] :
       {std::pair{31623, "at most 268435456"}, {70000, "a side is at most 65536"}, {0, "is empty"}}) {
    const int32_t box[4] = {0, 0, width - 1, width - 1};
    bytes.replace(at, 16, reinterpret_cast<const char*>(box), 16);
    Spill(Path("huge.exr"), bytes);
    auto facts = InspectPlateFile(Path("huge.exr"));
    EXPECT_EQ(facts.status().code(), absl::StatusCode::kInvalidArgument);
    EXPECT_THAT(std::string(facts.status().message()), HasSubstr(says));
  }
}

TEST_F(PlateReader, AWindowFarFromTheFormatIsRefused) {
  const std::string path =
      Write<float>("far.exr", 2, 2, {"R", "G", "B"}, std::vector<float>(12, 1), [](OIIO::ImageSpec& s) {
        s.x = 100000;
        s.full_width = s.full_height = 100;
      });
  auto p = ReadPicture(ReadOf(path), {0, 0, 100, 100});
  EXPECT_EQ(p.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(p.status().message()), HasSubstr("a side is at most 65536"));
}

// ---- bounds ----

// 16-bit PNG of 16384 x 16384 pixels of one colour takes 1.5 MB on disk and gigabytes
// in memory; here the same with a bound of 1 MiB.
TEST_F(PlateReader, APictureBeyondTheBoundIsRefusedBeforeItIsDecoded) {
  const std::string path =
      Write<uint16_t>("wide.png", 1024, 512, {"R", "G", "B"}, std::vector<uint16_t>(1024 * 512 * 3, 7));
  const PlateLimits limits{.decoded_bytes = 1 << 20};
  for (const absl::Status& status :
       {InspectPlateFile(path, limits).status(), ReadPlate(ReadOf(path), {0, 0, 1024, 512}, limits).status()}) {
    EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
    for (const std::string& part : {path, std::string("1024 x 512 pixels"), std::string("3 MiB"),
                                    std::string("allowed are 1 MiB"), std::string("--max-decoded-mib")}) {
      EXPECT_THAT(std::string(status.message()), HasSubstr(part));
    }
  }
  EXPECT_TRUE(ReadPlate(ReadOf(path), {0, 0, 1024, 512}, {.decoded_bytes = 3 << 20}).ok());
}

TEST_F(PlateReader, ThePlatesOfATaskMayTakeFourTimesAsMuch) {
  const PlateLimits limits{.decoded_bytes = 1 << 20};
  EXPECT_TRUE(CheckTaskSize(4 << 20, limits).ok());
  const absl::Status status = CheckTaskSize(5 << 20, limits);
  EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(status.message()), HasSubstr("take 5 MiB"));
  EXPECT_THAT(std::string(status.message()), HasSubstr("--max-decoded-mib"));
}

TEST_F(PlateReader, AFileBeyondTheBoundIsNotRead) {
  const std::string path = WriteNoise("long.exr");
  fs::resize_file(path, uint64_t{3} << 30);  // a hole: no bytes on the disk
  const auto facts = InspectPlateFile(path);
  EXPECT_EQ(facts.status().code(), absl::StatusCode::kInvalidArgument);
  for (const std::string& part : {path, std::string("3072 MiB"), std::string("allowed are 1024 MiB")}) {
    EXPECT_THAT(std::string(facts.status().message()), HasSubstr(part));
  }
}

TEST_F(PlateReader, OfManyChannelsOnlyThoseOfThePictureAreKept) {
  std::vector<std::string> channels = {"R", "G", "B"};
  for (int i = 0; i < 297; ++i) channels.push_back("pass" + std::to_string(i) + ".x");
  std::vector<float> samples;
  for (int i = 0; i < 40 * 30; ++i) {
    for (size_t c = 0; c < channels.size(); ++c) samples.push_back(static_cast<float>(c + 1));
  }
  const std::string path = Write<float>("many.exr", 40, 30, channels, samples);
  // 300 channels would take 720 kB.
  auto plate = ReadPlate(ReadOf(path), {0, 0, 40, 30}, {.decoded_bytes = 1 << 20});
  ASSERT_TRUE(plate.ok()) << plate.status();
  EXPECT_LT(plate->bytes(), 10'000u);
  EXPECT_THAT(PixelAt(plate->Read(plate->window), 39, 29), ElementsAre(1, 2, 3, 1));
}

// ---- parts and layers ----

TEST_F(PlateReader, APartAndALayerAreRead) {
  const std::string path = Path("parts.exr");
  std::vector<OIIO::ImageSpec> specs;
  for (const char* name : {"left", "right"}) {
    OIIO::ImageSpec& spec = specs.emplace_back(2, 1, 6, OIIO::TypeHalf);
    spec.channelnames = {"R", "G", "B", "fg.R", "fg.G", "fg.B"};
    spec.attribute("oiio:subimagename", name);
  }
  auto out = OIIO::ImageOutput::create("exr");
  ASSERT_TRUE(out->open(path, 2, specs.data())) << out->geterror();
  for (int part = 0; part < 2; ++part) {
    if (part > 0) {
      ASSERT_TRUE(out->open(path, specs[part], OIIO::ImageOutput::AppendSubimage)) << out->geterror();
    }
    std::vector<float> samples;
    for (int i = 0; i < 12; ++i) samples.push_back(static_cast<float>(100 * part + i));
    ASSERT_TRUE(out->write_image(OIIO::TypeFloat, samples.data())) << out->geterror();
  }
  ASSERT_TRUE(out->close());

  const auto facts = InspectPlateFile(path);
  ASSERT_TRUE(facts.ok()) << facts.status();
  ASSERT_EQ(facts->part_size(), 2);
  EXPECT_EQ(facts->part(0).name(), "left");
  EXPECT_EQ(facts->part(1).name(), "right");
  EXPECT_THAT(facts->part(1).channel(), testing::UnorderedElementsAre("R", "G", "B", "fg.R", "fg.G", "fg.B"));

  PlateRead read = ReadOf(path);
  EXPECT_THAT(PixelAt(*ReadPicture(read, {0, 0, 2, 1}), 1, 0), ElementsAre(6, 7, 8, 1));
  read.set_part(1);
  EXPECT_THAT(PixelAt(*ReadPicture(read, {0, 0, 2, 1}), 1, 0), ElementsAre(106, 107, 108, 1));
  read.set_layer("fg");
  EXPECT_THAT(PixelAt(*ReadPicture(read, {0, 0, 2, 1}), 1, 0), ElementsAre(109, 110, 111, 1));
  read.set_part(2);
  EXPECT_THAT(std::string(ReadPicture(read, {0, 0, 2, 1}).status().message()), HasSubstr("has no part 2"));
}

// ---- what a file says beside its pixels ----

TEST_F(PlateReader, FactsTellWhatTheHeaderSaysBesideThePixels) {
  // 01:02:03:04, packed by hand (SMPTE ST 12-1): tens and units of frames, seconds,
  // minutes and hours in four bits each.
  constexpr uint32_t kTime = 0x01020304;
  const uint32_t timecode[2] = {kTime, 77};
  const int rate[2] = {24000, 1001};
  const float primaries[8] = {0.7347f, 0.2653f, 0, 1, 0.0001f, -0.077f, 0.32168f, 0.33767f};
  const auto say = [&](OIIO::ImageSpec& s) {
    s.attribute("PixelAspectRatio", 2.0f);
    s.attribute("smpte:TimeCode", OIIO::TypeTimeCode, timecode);
    s.attribute("FramesPerSecond", OIIO::TypeRational, rate);
    s.attribute("chromaticities", OIIO::TypeDesc(OIIO::TypeDesc::FLOAT, 8), primaries);
    s.attribute("reelName", "A012");
    s.full_x = s.full_y = s.x = s.y = 20;
  };
  const auto exr = InspectPlateFile(Write<float>("m.exr", 2, 1, {"R", "G", "B"}, std::vector<float>(6, 1), say));
  ASSERT_TRUE(exr.ok()) << exr.status();
  const FileMetadata& m = exr->metadata();
  EXPECT_EQ(m.pixel_aspect(), 2);
  EXPECT_EQ(m.timecode(), kTime);
  EXPECT_EQ(m.timecode_user(), 77u);
  EXPECT_EQ(m.rate_numerator(), 24000u);
  EXPECT_EQ(m.rate_denominator(), 1001u);
  EXPECT_THAT(m.chromaticity(), testing::ElementsAreArray(primaries));
  EXPECT_EQ(m.reel(), "A012");
  EXPECT_EQ(m.origin_x(), 20);
  EXPECT_EQ(m.origin_y(), 20);
  EXPECT_EQ(ToRect(exr->data_window()), (Rect{0, 0, 2, 1}));

  const auto dpx = InspectPlateFile(Write<uint16_t>("m.dpx", 2, 1, {"R", "G", "B"}, std::vector<uint16_t>(6, 1), say));
  ASSERT_TRUE(dpx.ok()) << dpx.status();
  EXPECT_EQ(dpx->metadata().pixel_aspect(), 2);
  EXPECT_EQ(dpx->metadata().timecode(), kTime);
}

TEST_F(PlateReader, AHeaderThatSaysNothingGivesNothing) {
  for (const char* name : {"n.exr", "n.dpx", "n.tif", "n.png", "n.jpg"}) {
    const auto facts = InspectPlateFile(WriteNoise(name));
    ASSERT_TRUE(facts.ok()) << facts.status();
    EXPECT_TRUE(facts->has_metadata());
    EXPECT_EQ(facts->metadata().ByteSizeLong(), 0u) << name << ": " << facts->metadata().DebugString();
  }
}

// Transfer characteristics: SMPTE ST 268; gAMA: PNG specification, 100,000 times the exponent.
TEST_F(PlateReader, FactsTellTheEncodingThatTheHeaderNames) {
  const auto encoding = [](const std::string& path) {
    auto facts = InspectPlateFile(path);
    EXPECT_TRUE(facts.ok()) << facts.status();
    EXPECT_TRUE(facts->has_encoding());
    return facts->encoding();
  };
  const std::string dpx = Slurp(WriteNoise("n.dpx"));
  constexpr size_t kTransfer = 801;
  const std::string path = Path("said.dpx");
  for (const auto& [code, expected] : {std::pair{0, ENCODING_PRINTING_DENSITY},
                                       {1, ENCODING_PRINTING_DENSITY},
                                       {2, ENCODING_LINEAR},
                                       {3, ENCODING_PRINTING_DENSITY},
                                       {4, ENCODING_BT709},
                                       {5, ENCODING_BT709},
                                       {6, ENCODING_BT709},
                                       {7, ENCODING_BT709},
                                       {8, ENCODING_BT709},
                                       {200, ENCODING_PRINTING_DENSITY}}) {
    std::string bytes = dpx;
    bytes[kTransfer] = static_cast<char>(code);
    Spill(path, bytes);
    EXPECT_EQ(encoding(path), expected) << code;
  }
  EXPECT_EQ(encoding(WriteNoise("n.exr")), ENCODING_LINEAR);
  for (const char* name : {"n.png", "n.tif", "n.jpg"}) EXPECT_EQ(encoding(WriteNoise(name)), ENCODING_SRGB) << name;
  const auto linear = [](OIIO::ImageSpec& spec) { spec.attribute("oiio:ColorSpace", "Linear"); };
  EXPECT_EQ(encoding(Write<uint8_t>("linear.png", 1, 1, {"R", "G", "B"}, {1, 2, 3}, linear)), ENCODING_LINEAR);
}

TEST_F(PlateReader, FactsTellTypeSizeAndDigest) {
  for (auto [name, type] :
       {std::pair{"f.exr", "openexr"}, {"f.dpx", "dpx"}, {"f.tif", "tiff"}, {"f.png", "png"}, {"f.jpg", "jpeg"}}) {
    const std::string path = WriteNoise(name);
    auto facts = InspectPlateFile(path);
    ASSERT_TRUE(facts.ok()) << facts.status();
    struct stat s;
    ASSERT_EQ(stat(path.c_str(), &s), 0);
    EXPECT_EQ(facts->file_type(), type);
    EXPECT_EQ(facts->digest(), Sha256(Slurp(path)).str());
    EXPECT_EQ(facts->size(), static_cast<uint64_t>(s.st_size));
    EXPECT_EQ(facts->mtime_ns(), int64_t{s.st_mtim.tv_sec} * 1000000000 + s.st_mtim.tv_nsec);
    EXPECT_EQ(facts->inode(), s.st_ino);
    EXPECT_EQ(facts->format().width(), 64u);
    EXPECT_EQ(facts->format().height(), 48u);
    EXPECT_EQ(ToRect(facts->data_window()), (Rect{0, 0, 64, 48}));
  }
}

}  // namespace
}  // namespace selvage::worker
