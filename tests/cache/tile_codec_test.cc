#include "cache/tile_codec.h"

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
  EXPECT_TRUE(absl::IsDataLoss(DecodeTile("\x07" "abc").status()));
}

TEST(TileCodec, TwoFramesAreNotATile) {
  const std::string one = EncodeTile(std::string(1000, 'a'));
  EXPECT_TRUE(absl::IsDataLoss(DecodeTile(one + one.substr(1)).status()));
}

TEST(TileCodec, EveryTruncationIsRefused) {
  const std::string coded = EncodeTile(RampContent());
  for (size_t size = 0; size < coded.size(); ++size) {
    ASSERT_TRUE(absl::IsDataLoss(DecodeTile(coded.substr(0, size)).status())) << size;
  }
}

TEST(DecodeVerified, EveryFlippedBitIsNoticed) {
  for (const std::string& content : {RampContent(), NoiseContent(4, 3000)}) {
    const Digest digest = Sha256(content);
    const std::string coded = EncodeTile(content);
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
    if (!bytes.empty()) bytes[0] = static_cast<char>(random() % 3);
    // Half of them with the magic of a compressed frame in front.
    if (bytes.size() > 5 && round % 2) bytes.replace(1, 4, "\x28\xb5\x2f\xfd");
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
