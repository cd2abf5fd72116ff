#include "cache/tile_codec.h"

#include <cmath>
#include <random>

#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

// A matte edge in halves: a ramp between two flat parts.
std::string RampContent() {
  std::string content;
  for (int i = 0; i < 256 * 256; ++i) {
    const int x = i % 256;
    const uint16_t half = x < 100 ? 0 : x > 140 ? 0x3c00 : static_cast<uint16_t>(0x3000 + 64 * (x - 100));
    content.push_back(static_cast<char>(half & 255));
    content.push_back(static_cast<char>(half >> 8));
  }
  return content;
}

TEST(TileCodec, EveryContentComesBack) {
  for (const std::string& content :
       {std::string(), std::string("x"), std::string(131072, '\0'), RampContent(), NoiseContent(1, 131072),
        NoiseContent(2, kMaxTileContent), std::string(kMaxTileContent, 'z')}) {
    const auto back = DecodeTile(EncodeTile(content));
    ASSERT_OK(back.status());
    EXPECT_TRUE(*back == content) << content.size();
  }
}

constexpr TileLayout kHalves{.sample_bytes = 2, .row_samples = 256}, kFloats{.sample_bytes = 4, .row_samples = 64};

TEST(TileCodec, EveryContentComesBackWhateverItIsTakenFor) {
  // Halves of every bit pattern: both zeros, both infinities, every NaN.
  std::string all;
  for (uint32_t bits = 0; bits < 1 << 16; ++bits) {
    const uint32_t mixed = bits * 40503 & 0xffff;
    all += {static_cast<char>(mixed), static_cast<char>(mixed >> 8)};
  }
  for (const std::string& content : {std::string(), std::string("xyz"), all, RampContent(), NoiseContent(1, 131072),
                                     NoiseContent(3, 512 * 56), std::string(kMaxTileContent, 'z')}) {
    for (const size_t bytes : {0, 1, 2, 3, 4, 8}) {
      for (const size_t row : {0, 1, 3, 64, 256, 65535, 65536, 1 << 20}) {
        const std::string coded = EncodeTile(content, {.sample_bytes = bytes, .row_samples = row});
        ASSERT_LE(coded.size(), content.size() + 1);
        const auto back = DecodeTile(coded);
        ASSERT_OK(back.status());
        ASSERT_TRUE(*back == content) << content.size() << " bytes, " << bytes << " a sample, " << row << " a row";
      }
    }
  }
}

TEST(TileCodec, SamplesAreSmallerThanBytes) {
  std::mt19937 random(5);
  std::normal_distribution<float> normal(0, 15);
  std::string grain, slope, floats;
  for (int i = 0; i < 256 * 256; ++i) {
    const auto noisy = static_cast<uint16_t>(0x3400 + i % 256 * 2 + i / 256 * 3 + std::lround(normal(random)));
    grain += {static_cast<char>(noisy), static_cast<char>(noisy >> 8)};
    const auto smooth = static_cast<uint16_t>(0x3400 + i % 256 * 3 + i / 256 * 2 + random() % 2);
    slope += {static_cast<char>(smooth), static_cast<char>(smooth >> 8)};
    const float value = 0.3f + 0.001f * static_cast<float>(i % 64) + 1e-6f * static_cast<float>(random() % 8);
    floats.append(reinterpret_cast<const char*>(&value), 4);
  }
  EXPECT_LT(EncodeTile(grain, kHalves).size() * 1.1, EncodeTile(grain).size());
  EXPECT_LT(EncodeTile(slope, kHalves).size() * 2, EncodeTile(slope).size());
  EXPECT_LT(EncodeTile(floats, kFloats).size() * 1.5, EncodeTile(floats).size());
}

// What a cache of an earlier daemon holds.
TEST(TileCodec, StoredFormsStay) {
  const std::string content("\0\0\0\x3c\0\x3c\x01\x3c", 8);
  EXPECT_EQ(*DecodeTile(std::string("\0", 1) + content), content);
  const auto frame = [](std::string_view bytes) {  // RFC 8878: one segment of known size, one raw block, the last
    std::string out("\x28\xb5\x2f\xfd\x20", 5);
    out += static_cast<char>(bytes.size());
    return out + static_cast<char>(bytes.size() << 3 | 1) + std::string(2, '\0') + std::string(bytes);
  };
  EXPECT_EQ(*DecodeTile("\x01" + frame(content)), content);
  // Two rows of two halves: 0, 1; 1, the half above 1. Less the row above: 0, 0x3c00;
  // 0x3c00, 1. Folded: 0, 0x7800; 0x7800, 2. Low bytes, then high ones.
  EXPECT_EQ(*DecodeTile("\x02\x02" + std::string(1, '\0') + frame(std::string("\0\0\0\x02\0\x78\x78\0", 8))), content);
}

TEST(TileCodec, NeverMoreThanOneByteLarger) {
  for (size_t bytes : {0, 1, 2, 100, 131072}) {
    EXPECT_LE(EncodeTile(NoiseContent(bytes, bytes)).size(), bytes + 1);
  }
}

TEST(TileCodec, EdgesOfAMatteShrink) { EXPECT_LT(EncodeTile(RampContent()).size(), RampContent().size() / 10); }

TEST(TileCodec, SameContentSameBytes) { EXPECT_EQ(EncodeTile(RampContent()), EncodeTile(RampContent())); }

TEST(TileCodec, LargerThanATileIsRefused) {
  EXPECT_TRUE(absl::IsDataLoss(DecodeTile(EncodeTile(std::string(kMaxTileContent + 1, 'z'))).status()));
  EXPECT_TRUE(absl::IsDataLoss(DecodeTile(EncodeTile(NoiseContent(1, kMaxTileContent + 1))).status()));
}

TEST(TileCodec, EmptyAndUnknownAreRefused) {
  EXPECT_TRUE(absl::IsDataLoss(DecodeTile("").status()));
  EXPECT_TRUE(absl::IsDataLoss(DecodeTile("\x07"
                                          "abc")
                                   .status()));
}

TEST(TileCodec, TwoFramesAreNotATile) {
  const std::string one = EncodeTile(std::string(1000, 'a'));
  EXPECT_TRUE(absl::IsDataLoss(DecodeTile(one + one.substr(1)).status()));
}

TEST(TileCodec, EveryTruncationIsRefused) {
  for (const TileLayout& layout : {TileLayout(), kHalves, kFloats}) {
    const std::string coded = EncodeTile(RampContent(), layout);
    for (size_t size = 0; size < coded.size(); ++size) {
      ASSERT_TRUE(absl::IsDataLoss(DecodeTile(coded.substr(0, size)).status())) << size;
    }
  }
}

TEST(TileCodec, RowsThatDontFitAreRefused) {
  std::string coded = EncodeTile(RampContent(), kHalves);
  ASSERT_EQ(coded[0], 2);
  for (const int row : {0, 255, 257, 65535}) {
    coded[1] = static_cast<char>(row);
    coded[2] = static_cast<char>(row >> 8);
    EXPECT_TRUE(absl::IsDataLoss(DecodeTile(coded).status())) << row;
  }
}

TEST(DecodeVerified, EveryFlippedBitIsNoticed) {
  const std::vector<std::pair<std::string, TileLayout>> cases = {
      {RampContent(), {}}, {RampContent(), kHalves}, {RampContent(), kFloats}, {NoiseContent(4, 3000), {}}};
  for (const auto& [content, layout] : cases) {
    const Digest digest = Sha256(content);
    const std::string coded = EncodeTile(content, layout);
    ASSERT_OK(DecodeVerified(coded, digest).status());
    for (size_t bit = 0; bit < coded.size() * 8; ++bit) {
      std::string damaged = coded;
      damaged[bit / 8] ^= static_cast<char>(1 << bit % 8);
      const auto decoded = DecodeVerified(damaged, digest);
      // A bit that means nothing to the decoder may change; the content may not.
      if (decoded.ok()) {
        ASSERT_TRUE(*decoded == content) << bit;
      } else {
        ASSERT_TRUE(absl::IsDataLoss(decoded.status())) << bit;
      }
    }
  }
}

TEST(DecodeTile, RandomBytesAreAnsweredNotSuffered) {
  std::mt19937 random(11);
  for (int round = 0; round < 50000; ++round) {
    std::string bytes(random() % 200, '\0');
    for (char& c : bytes) c = static_cast<char>(random());
    if (!bytes.empty()) bytes[0] = static_cast<char>(random() % 5);
    // Half of them with the magic of a compressed frame in front.
    const size_t at = !bytes.empty() && bytes[0] >= 2 ? 3 : 1;
    if (bytes.size() > at + 4 && round % 2) bytes.replace(at, 4, "\x28\xb5\x2f\xfd");
    const auto decoded = DecodeTile(bytes);
    if (decoded.ok()) {
      ASSERT_LE(decoded->size(), kMaxTileContent);
    } else {
      ASSERT_TRUE(absl::IsDataLoss(decoded.status())) << decoded.status();
    }
  }
}

}  // namespace
}  // namespace selvage
