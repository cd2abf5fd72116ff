// OpenEXR files that are packed and unpacked here, against OpenEXR itself.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfIO.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfTiledOutputFile.h>
#include <zlib.h>

#include <cstring>
#include <random>

#include "worker/files/exr_halves.h"
#include "worker/files/exr_zip.h"
#include "worker/files/picture_file.h"
#include "worker/kernels/pixels/half.h"
#include "worker/kernels/pixels/zip_bytes.h"

namespace selvage::worker {
namespace {

class Memory final : public Imf::OStream, public Imf::IStream {
 public:
  explicit Memory(std::string bytes = "") : OStream("memory"), IStream("memory"), bytes(std::move(bytes)) {}
  void write(const char from[], int count) override {
    bytes.resize(std::max(bytes.size(), at_ + static_cast<size_t>(count)));
    bytes.replace(at_, static_cast<size_t>(count), from, static_cast<size_t>(count));
    at_ += static_cast<size_t>(count);
  }
  bool read(char to[], int count) override {
    if (at_ + static_cast<size_t>(count) > bytes.size()) throw std::runtime_error("beyond the end");
    std::memcpy(to, bytes.data() + at_, static_cast<size_t>(count));
    at_ += static_cast<size_t>(count);
    return at_ < bytes.size();
  }
  uint64_t tellp() override { return at_; }
  void seekp(uint64_t to) override { at_ = to; }
  uint64_t tellg() override { return at_; }
  void seekg(uint64_t to) override { at_ = to; }
  std::string bytes;

 private:
  uint64_t at_ = 0;
};

// Partly smooth, partly noise, partly one value: blocks that pack well, badly and not at all.
Plane Mixed(const Rect& rect, uint32_t seed) {
  std::mt19937 random(seed);
  Plane plane(rect);
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) {
      const float noise = static_cast<float>(random() >> 8) / (1 << 24);
      plane.at(x, y) = y < 20   ? 0.25f
                       : y < 40 ? 0.01f * static_cast<float>(x)
                                : noise * static_cast<float>(1 << (x & 7));
    }
  }
  return plane;
}

constexpr Rect kWindow{-3, -5, 98, 66};  // 101 x 71: no whole number of blocks

std::vector<ExrChannel> Channels() {
  std::vector<ExrChannel> channels;
  for (const char* name : {"R", "G", "B", "A"}) channels.push_back({name, Mixed(kWindow, name[0])});
  // Has pixels in a part of the window only; its name needs a flag in the header.
  channels.push_back({"a layer whose name is quite a bit too long.A", Mixed({10, 0, 40, 30}, 9)});
  return channels;
}

float ValueAt(const Plane& plane, int x, int y) {
  if (!plane.rect().Contains({x, y, x + 1, y + 1})) return 0;
  float v = plane.at(x, y);
  RoundToHalf(&v, 1);
  return v;
}

// Every sample of a file by OpenEXR's own reader.
void ExpectThatOpenExrReads(const std::string& bytes, const std::vector<ExrChannel>& channels, double tolerance) {
  Memory memory(bytes);
  Imf::InputFile file(memory, 0);
  ASSERT_TRUE(file.isComplete());
  const Imath::Box2i window = file.header().dataWindow();
  ASSERT_EQ(window.min, Imath::V2i(kWindow.x0, kWindow.y0));
  ASSERT_EQ(window.max, Imath::V2i(kWindow.x1 - 1, kWindow.y1 - 1));
  for (const ExrChannel& c : channels) {
    std::vector<half> samples(kWindow.area());
    Imf::FrameBuffer frame;
    frame.insert(c.name, Imf::Slice::Make(Imf::HALF, samples.data(), window));
    file.setFrameBuffer(frame);
    file.readPixels(window.min.y, window.max.y);
    size_t i = 0;
    for (int y = kWindow.y0; y < kWindow.y1; ++y) {
      for (int x = kWindow.x0; x < kWindow.x1; ++x, ++i) {
        const float want = ValueAt(c.plane, x, y);
        ASSERT_NEAR(static_cast<float>(samples[i]), want, tolerance * std::max(1.0f, want))
            << c.name << " " << x << "," << y;
      }
    }
  }
}

TEST(ExrFile, OpenExrReadsEveryPacking) {
  for (auto compression : {COMPRESSION_ZIP, COMPRESSION_ZIPS, COMPRESSION_PIZ, COMPRESSION_NONE}) {
    const auto bytes = WriteExr({0, 0, 90, 60}, kWindow, Channels(), {{"software", "test"}}, {}, compression);
    ASSERT_TRUE(bytes.ok()) << bytes.status();
    SCOPED_TRACE(Compression_Name(compression));
    ExpectThatOpenExrReads(*bytes, Channels(), 0);
  }
}

TEST(ExrFile, TheLossyPackingIsNear) {
  std::vector<ExrChannel> smooth = {{"R", Mixed(kWindow, 1)}, {"G", Mixed(kWindow, 1)}, {"B", Mixed(kWindow, 1)}};
  for (ExrChannel& c : smooth) {
    for (int y = kWindow.y0; y < kWindow.y1; ++y) {
      for (int x = kWindow.x0; x < kWindow.x1; ++x) c.plane.at(x, y) = 0.5f + 0.004f * static_cast<float>(x);
    }
  }
  const auto bytes = WriteExr(kWindow, kWindow, smooth, {}, {}, COMPRESSION_LOSSY_DWAA);
  ASSERT_TRUE(bytes.ok()) << bytes.status();
  ExpectThatOpenExrReads(*bytes, smooth, 0.02);
}

// What is not packed has only one form.
TEST(ExrFile, UnpackedFilesAreThoseOfOpenExrToTheByte) {
  const std::vector<ExrChannel> channels = Channels();
  const auto bytes = WriteExr({0, 0, 90, 60}, kWindow, channels, {}, {}, COMPRESSION_NONE);
  ASSERT_TRUE(bytes.ok()) << bytes.status();
  Imf::Header header(Imath::Box2i({0, 0}, {89, 59}),
                     Imath::Box2i({kWindow.x0, kWindow.y0}, {kWindow.x1 - 1, kWindow.y1 - 1}));
  header.compression() = Imf::NO_COMPRESSION;
  Imf::FrameBuffer frame;
  std::vector<std::vector<half>> samples;
  for (const ExrChannel& c : channels) {
    header.channels().insert(c.name, Imf::Channel(Imf::HALF));
    samples.emplace_back();
    for (int y = kWindow.y0; y < kWindow.y1; ++y) {
      for (int x = kWindow.x0; x < kWindow.x1; ++x) samples.back().push_back(half(ValueAt(c.plane, x, y)));
    }
    frame.insert(c.name, Imf::Slice::Make(Imf::HALF, samples.back().data(), header.dataWindow()));
  }
  Memory memory;
  {
    Imf::OutputFile file(memory, header, 0);
    file.setFrameBuffer(frame);
    file.writePixels(kWindow.height());
  }
  EXPECT_TRUE(*bytes == memory.bytes);
}

TEST(ExrFile, PackedFilesAreSmaller) {
  const auto size = [](Compression compression) {
    return WriteExr(kWindow, kWindow, Channels(), {}, {}, compression).value_or("").size();
  };
  EXPECT_LT(size(COMPRESSION_ZIP), size(COMPRESSION_ZIPS));
  EXPECT_LT(size(COMPRESSION_ZIPS), 0.9 * static_cast<double>(size(COMPRESSION_NONE)));
}

// ---- the quick way in ----

struct Written {
  Imf::Compression compression = Imf::ZIP_COMPRESSION;
  Imf::LineOrder order = Imf::INCREASING_Y;
  bool tiles = false;
  Imf::PixelType depth = Imf::FLOAT;
  Imf::PixelType green = Imf::HALF;
  int depth_sampling = 1;
};

half SampleOf(int channel, int x, int y) {
  return half(static_cast<float>((x * 7 + y * 13 + channel * 31) % 97) * 0.37f + static_cast<float>(x % 5) * 0.01f);
}

// B, G, R of halves and Z of another type, by OpenEXR.
std::string WrittenByOpenExr(const Written& how) {
  const int width = 60, height = 40;
  Imf::Header header(Imath::Box2i({0, 0}, {width - 1, height - 1}), Imath::Box2i({4, -6}, {width + 3, height - 7}));
  header.compression() = how.compression;
  header.lineOrder() = how.order;
  const Imath::Box2i window = header.dataWindow();
  Imf::FrameBuffer frame;
  std::vector<half> halves[3];
  std::vector<float> floats(static_cast<size_t>(width) * height, 1.5f);
  const char* const names[] = {"B", "G", "R"};
  for (int c = 0; c < 3; ++c) {
    for (int y = 0; y < height; ++y) {
      for (int x = 0; x < width; ++x) halves[c].push_back(SampleOf(c, x, y));
    }
    const bool as_float = c == 1 && how.green == Imf::FLOAT;
    header.channels().insert(names[c], Imf::Channel(as_float ? Imf::FLOAT : Imf::HALF));
    frame.insert(names[c], as_float ? Imf::Slice::Make(Imf::FLOAT, floats.data(), window)
                                    : Imf::Slice::Make(Imf::HALF, halves[c].data(), window));
  }
  header.channels().insert("Z", Imf::Channel(how.depth, how.depth_sampling, how.depth_sampling));
  frame.insert("Z", Imf::Slice::Make(how.depth, floats.data(), window, 0, 0, how.depth_sampling, how.depth_sampling));
  Memory memory;
  if (how.tiles) {
    header.setTileDescription(Imf::TileDescription(16, 16, Imf::ONE_LEVEL));
    Imf::TiledOutputFile file(memory, header, 0);
    file.setFrameBuffer(frame);
    file.writeTiles(0, file.numXTiles() - 1, 0, file.numYTiles() - 1);
  } else {
    Imf::OutputFile file(memory, header, 0);
    file.setFrameBuffer(frame);
    file.writePixels(height);
  }
  return memory.bytes;
}

// How many lines come, all of them right; -1 if the quick way does not take the file.
int QuickLines(const std::string& bytes) {
  int lines = 0;
  const bool taken = ReadExrHalves(bytes, 0, {"R", "B"}, [&](int y, const std::vector<const uint16_t*>& rows) {
    ++lines;
    for (int x = 0; x < 60; ++x) {
      ASSERT_EQ(rows[0][x], SampleOf(2, x, y).bits()) << x << "," << y;
      ASSERT_EQ(rows[1][x], SampleOf(0, x, y).bits()) << x << "," << y;
    }
  });
  return taken ? lines : -1;
}

TEST(ExrHalves, TakesScanLinesOfHalvesPackedByZipOrNotAtAll) {
  for (auto compression : {Imf::ZIP_COMPRESSION, Imf::ZIPS_COMPRESSION, Imf::NO_COMPRESSION}) {
    EXPECT_EQ(QuickLines(WrittenByOpenExr({.compression = compression})), 40) << compression;
    EXPECT_EQ(QuickLines(WrittenByOpenExr({.compression = compression, .order = Imf::DECREASING_Y})), 40);
  }
  EXPECT_EQ(QuickLines(WrittenByOpenExr({.depth = Imf::UINT})), 40);
  EXPECT_EQ(QuickLines(WrittenByOpenExr({.green = Imf::FLOAT})), 40) << "green is not asked for";
}

TEST(ExrHalves, LeavesTheRestToTheGeneralReader) {
  EXPECT_EQ(QuickLines(WrittenByOpenExr({.compression = Imf::PIZ_COMPRESSION})), -1);
  EXPECT_EQ(QuickLines(WrittenByOpenExr({.tiles = true})), -1);
  EXPECT_EQ(QuickLines(WrittenByOpenExr({.depth_sampling = 2})), -1);
  const std::string usual = WrittenByOpenExr({}), deep_green = WrittenByOpenExr({.green = Imf::FLOAT});
  const auto nothing = [](int, const std::vector<const uint16_t*>&) {};
  EXPECT_TRUE(ReadExrHalves(usual, 0, {"G"}, nothing));
  EXPECT_FALSE(ReadExrHalves(deep_green, 0, {"G"}, nothing));
  EXPECT_FALSE(ReadExrHalves(usual, 0, {"R", "none"}, nothing));
  EXPECT_FALSE(ReadExrHalves(usual, 1, {"R"}, nothing));
}

// A byte changed in the pixels is found by the sum of the block, or changes its length, or
// is one of those that say nothing.
TEST(ExrHalves, DamagedBlocksAreNeverTakenForOthers) {
  const std::string whole = WrittenByOpenExr({});
  const auto lines = [](const std::string& bytes) {
    try {
      return QuickLines(bytes);
    } catch (const std::exception&) {
      return -1;
    }
  };
  ASSERT_EQ(lines(whole), 40);
  std::mt19937 random(5);
  for (size_t length = 8; length < whole.size(); length += 1 + whole.size() / 300) {
    ASSERT_EQ(lines(whole.substr(0, length)), -1) << length << " of " << whole.size();
  }
  const size_t pixels = whole.size() / 2;  // the header and the table are before
  int refused = 0;
  for (int i = 0; i < 500; ++i) {
    std::string bytes = whole;
    const size_t at = pixels + random() % (whole.size() - pixels);
    bytes[at] = static_cast<char>(bytes[at] ^ (1 + random() % 255));
    const int taken = lines(bytes);
    ASSERT_FALSE(testing::Test::HasFailure()) << at;
    refused += taken < 0;
  }
  EXPECT_GT(refused, 490);
}

TEST(ExrZip, ABlockThatDoesNotPackIsItself) {
  std::mt19937 random(3);
  std::vector<uint8_t> noise(5000), flat(5000, 7);
  for (uint8_t& b : noise) b = static_cast<uint8_t>(random() >> 11);
  ExrDeflater deflater;
  ExrInflater inflater;
  for (const auto& block : {noise, flat, noise}) {
    const std::string packed(deflater.Pack(block.data(), block.size()));
    EXPECT_EQ(packed.size() == block.size(), block != flat);
    const uint8_t* back = inflater.Unpack(packed, block.size());
    ASSERT_NE(back, nullptr);
    EXPECT_EQ(std::memcmp(back, block.data(), block.size()), 0);
    EXPECT_EQ(inflater.Unpack(packed, block.size() - 2), nullptr);
  }
  const std::string packed(deflater.Pack(flat.data(), flat.size()));
  EXPECT_EQ(inflater.Unpack(packed, flat.size() + 2), nullptr);
}

// Noise in the low bytes of halves, as grain is, between runs of all lengths: read back by
// zlib as OpenEXR does, through a file, and here.
TEST(ExrZip, GrainIsStoredAndItsRunsArePacked) {
  std::mt19937 random(11);
  ExrDeflater deflater;
  ExrInflater inflater;
  for (size_t longest : {1, 300, 3000, 70000}) {
    std::vector<uint8_t> block;
    uint8_t high = 60;
    while (block.size() < 400000) {
      const size_t noise = 2 * (1 + random() % 3000), run = random() % longest;
      for (size_t i = 0; i < noise; i += 2) {
        block.push_back(static_cast<uint8_t>(random() >> 13));
        block.push_back(high = static_cast<uint8_t>(high + (random() % 50 == 0)));
      }
      // Of the same difference, not of the same value.
      const uint8_t step = static_cast<uint8_t>(random() % 2 == 0 ? 0 : random() >> 7);
      for (size_t i = 0; i < run; ++i) {
        block.push_back(static_cast<uint8_t>(block[block.size() - 2] + step));
        block.push_back(high);
      }
    }
    const std::string packed(deflater.Pack(block.data(), block.size()));
    EXPECT_LT(packed.size(), block.size() * 6 / 10) << longest;
    const uint8_t* back = inflater.Unpack(packed, block.size());
    ASSERT_NE(back, nullptr) << longest;
    EXPECT_EQ(std::memcmp(back, block.data(), block.size()), 0) << longest;
    // Any other reader.
    std::vector<uint8_t> split(block.size()), other(block.size());
    uLongf size = split.size();
    ASSERT_EQ(uncompress(split.data(), &size, reinterpret_cast<const Bytef*>(packed.data()), packed.size()), Z_OK);
    ASSERT_EQ(size, block.size());
    ZipJoin(split.data(), split.size(), other.data());
    EXPECT_EQ(other, block) << longest;
  }
}

}  // namespace
}  // namespace selvage::worker
