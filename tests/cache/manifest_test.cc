#include "cache/manifest.h"

#include <cmath>
#include <limits>
#include <random>
#include <set>

#include "google/protobuf/stubs/logging.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

Window MakeWindow(int x, int y, uint32_t width, uint32_t height) {
  Window w;
  w.set_x(x);
  w.set_y(y);
  w.set_width(width);
  w.set_height(height);
  return w;
}

Manifest ConstantPicture(Kind kind, const Window& window, float value) {
  Manifest m;
  m.set_kind(kind);
  *m.mutable_window() = window;
  for (const char* c : {"R", "G", "B", "A"}) {
    if (kind != MATTE || std::string(c) == "A") m.add_channel(c);
  }
  const int tiles = TileGrid(window).count() * m.channel_size();
  for (int i = 0; i < tiles; ++i) AppendTile(&m, TileRef{.constant = true, .value = value});
  return m;
}

TEST(TileGrid, PictureOf1920x1080HasEightByFiveTiles) {
  const TileGrid grid(MakeWindow(0, 0, 1920, 1080));
  EXPECT_EQ(grid.columns, 8);
  EXPECT_EQ(grid.rows, 5);
  EXPECT_EQ(grid.TileWindow(7, 4).width(), 1920u - 7 * 256);
  EXPECT_EQ(grid.TileWindow(7, 4).height(), 1080u - 4 * 256);
}

TEST(TileGrid, NegativeOriginRoundsDown) {
  const TileGrid grid(MakeWindow(-1, -257, 2, 258));
  EXPECT_EQ(grid.first_column, -1);
  EXPECT_EQ(grid.first_row, -2);
  EXPECT_EQ(grid.columns, 2);
  EXPECT_EQ(grid.rows, 3);
  const Window corner = grid.TileWindow(0, 0);
  EXPECT_EQ(corner.x(), -1);
  EXPECT_EQ(corner.y(), -257);
  EXPECT_EQ(corner.width(), 1u);
  EXPECT_EQ(corner.height(), 1u);
}

TEST(TileGrid, TilesCoverTheWindowOnceAndKeepToTheGrid) {
  std::mt19937 random(7);
  const auto pick = [&](int low, int high) { return std::uniform_int_distribution<int>(low, high)(random); };
  for (int round = 0; round < 500; ++round) {
    const Window w = MakeWindow(pick(-2000, 2000), pick(-2000, 2000), pick(1, 1500), pick(1, 1500));
    const TileGrid grid(w);
    uint64_t area = 0;
    for (int row = 0; row < grid.rows; ++row) {
      for (int column = 0; column < grid.columns; ++column) {
        const Window t = grid.TileWindow(column, row);
        ASSERT_GE(t.width(), 1u);
        ASSERT_GE(t.height(), 1u);
        ASSERT_GE(t.x(), w.x());
        ASSERT_LE(t.x() + int(t.width()), w.x() + int(w.width()));
        ASSERT_GE(t.y(), w.y());
        ASSERT_LE(t.y() + int(t.height()), w.y() + int(w.height()));
        // First and last pixel lie in the same cell of the grid: shifting by a
        // multiple of the tile size makes division of negatives plain.
        const int shift = 100 * kTileSize;
        ASSERT_EQ((t.x() + shift) / kTileSize, (t.x() + int(t.width()) - 1 + shift) / kTileSize);
        ASSERT_EQ((t.x() + shift) / kTileSize - 100, grid.first_column + column);
        ASSERT_EQ((t.y() + shift) / kTileSize, (t.y() + int(t.height()) - 1 + shift) / kTileSize);
        ASSERT_EQ((t.y() + shift) / kTileSize - 100, grid.first_row + row);
        area += uint64_t{t.width()} * t.height();
      }
    }
    ASSERT_EQ(area, uint64_t{w.width()} * w.height());
  }
}

TEST(TileGrid, EmptyWindowHasNoTiles) { EXPECT_EQ(TileGrid(MakeWindow(5, 5, 0, 9)).count(), 0); }

TEST(Manifest, TilesComeBackAsTheyWent) {
  Manifest m;
  const TileRef stored{.digest = Sha256("x")};
  std::vector<TileRef> tiles{stored, {.constant = true, .value = 0.f}, {.constant = true, .value = -1.5f}};
  for (const TileRef& t : tiles) AppendTile(&m, t);
  ASSERT_EQ(TileCount(m), tiles.size());
  for (size_t i = 0; i < tiles.size(); ++i) EXPECT_EQ(GetTile(m, i), tiles[i]) << i;
}

TEST(Manifest, StoredDigestsAreInOrderOnceAndWithoutConstants) {
  Manifest m;
  AppendTile(&m, {.digest = Sha256("b")});
  AppendTile(&m, {.constant = true, .value = 1});
  AppendTile(&m, {.digest = Sha256("a")});
  AppendTile(&m, {.digest = Sha256("b")});
  EXPECT_EQ(StoredDigests(m), (std::vector<Digest>{Sha256("b"), Sha256("a")}));
}

// DO NOT CHANGE: packed tiles are on disks and in trace keys.
TEST(Manifest, PackedLayoutIsAsWritten) {
  Manifest m;
  AppendTile(&m, {.constant = true, .value = 1.0f});
  AppendTile(&m, {.digest = Sha256("abc")});
  std::string expected("\x01\x00\x00\x80\x3f", 5);
  expected.resize(33, '\0');
  expected.append(1, '\0').append(Sha256("abc").str());
  EXPECT_EQ(m.tiles(), expected);
}

TEST(ContentDigest, EveryFieldCounts) {
  const Manifest base = ConstantPicture(STRAIGHT, MakeWindow(0, 0, 300, 300), 1);
  std::set<std::string> digests{ContentDigest(base).Hex()};
  const auto differs = [&](auto change) {
    Manifest m = base;
    change(m);
    EXPECT_TRUE(digests.insert(ContentDigest(m).Hex()).second);
  };
  differs([](Manifest& m) { m.set_kind(PREMULTIPLIED); });
  differs([](Manifest& m) { m.mutable_window()->set_x(1); });
  differs([](Manifest& m) { m.mutable_window()->set_y(1); });
  differs([](Manifest& m) { m.mutable_window()->set_width(301); });
  differs([](Manifest& m) { m.mutable_window()->set_height(301); });
  differs([](Manifest& m) { m.set_full_precision(true); });
  differs([](Manifest& m) { m.set_channel(0, "X"); });
  differs([](Manifest& m) { m.set_blob_size(1); });
  differs([](Manifest& m) { (*m.mutable_tiles())[3] ^= 1; });
  EXPECT_EQ(ContentDigest(base), ContentDigest(Manifest(base)));
}

// DO NOT CHANGE: computed from the documented bytes with Python's hashlib and
// struct: "selvage content 1\n", <iiiIIBI, then (length, channel) pairs, blob
// size, size of tiles, tiles. Two tiles: the window crosses x = 0.
TEST(ContentDigest, GoldenValue) {
  const Manifest m = ConstantPicture(MATTE, MakeWindow(-2, 3, 10, 20), 0.5f);
  EXPECT_EQ(ContentDigest(m).Hex(), "fa8a41e3d3d5c08fbcdcc4c65dbe01f77d9b600a1e71b3b7cc9e718351b910c4");
}

TEST(ValidateManifest, TakesWhatWeMake) {
  EXPECT_OK(ValidateManifest(ConstantPicture(MATTE, MakeWindow(-300, -1, 1920, 1080), 1)));
  EXPECT_OK(ValidateManifest(ConstantPicture(OPAQUE, MakeWindow(0, 0, 1, 1), 0.25f)));
  EXPECT_OK(ValidateManifest(MatteOf({Sha256("a"), Sha256("b")})));
  Manifest blob;
  blob.set_kind(BLOB);
  EXPECT_OK(ValidateManifest(blob));
  blob.set_blob_size(kBlobChunkBytes + 1);
  AppendTile(&blob, {.digest = Sha256("a")});
  AppendTile(&blob, {.digest = Sha256("b")});
  EXPECT_OK(ValidateManifest(blob));
}

TEST(ValidateManifest, RefusesEveryBrokenShape) {
  const Manifest good = ConstantPicture(STRAIGHT, MakeWindow(0, 0, 300, 300), 1);
  const auto refused = [&](const char* what, auto change) {
    Manifest m = good;
    change(m);
    EXPECT_EQ(ValidateManifest(m).code(), absl::StatusCode::kInvalidArgument) << what;
  };
  ASSERT_OK(ValidateManifest(good));
  refused("no kind", [](Manifest& m) { m.set_kind(KIND_UNSPECIFIED); });
  refused("unknown kind", [](Manifest& m) { m.set_kind(static_cast<Kind>(77)); });
  refused("matte with colour channels", [](Manifest& m) { m.set_kind(MATTE); });
  refused("no window", [](Manifest& m) { m.clear_window(); });
  refused("no width", [](Manifest& m) { m.mutable_window()->set_width(0); });
  refused("a tile too few", [](Manifest& m) { m.mutable_tiles()->resize(m.tiles().size() - kTileRefBytes); });
  refused("a byte too few", [](Manifest& m) { m.mutable_tiles()->pop_back(); });
  refused("a byte too many", [](Manifest& m) { m.mutable_tiles()->push_back('\0'); });
  refused("unknown tag", [](Manifest& m) { (*m.mutable_tiles())[0] = 2; });
  refused("bytes after a constant", [](Manifest& m) { (*m.mutable_tiles())[32] = 1; });
  refused("channels missing", [](Manifest& m) { m.mutable_channel()->RemoveLast(); });
  refused("channels misnamed", [](Manifest& m) { m.set_channel(1, "X"); });
  refused("picture with a blob size", [](Manifest& m) { m.set_blob_size(5); });
  refused("far away", [](Manifest& m) { m.mutable_window()->set_x(std::numeric_limits<int32_t>::max()); });
  refused("too wide", [](Manifest& m) { m.mutable_window()->set_width(70000); });
  refused("too many pixels", [](Manifest& m) { *m.mutable_window() = MakeWindow(0, 0, 65536, 65536); });
  refused("blob with a window", [](Manifest& m) { m.set_kind(BLOB); });
  Manifest blob;
  blob.set_kind(BLOB);
  blob.set_blob_size(1);
  AppendTile(&blob, {.constant = true});
  EXPECT_FALSE(ValidateManifest(blob).ok()) << "constant chunk";
  blob.clear_tiles();
  blob.set_blob_size(~uint64_t{0});
  EXPECT_FALSE(ValidateManifest(blob).ok()) << "endless blob";
}

// Every binary16 number, widened by the definition in IEEE 754: sign, 5 bits
// of exponent, 10 of fraction.
TEST(ValidateManifest, ConstantsOfHalfPrecisionAreExactlyTheHalves) {
  const auto accepts = [](float v) { return ValidateManifest(ConstantPicture(MATTE, MakeWindow(0, 0, 1, 1), v)).ok(); };
  for (int bits = 0; bits < 0x7c00; ++bits) {
    const int exponent = bits >> 10, fraction = bits & 1023;
    const double value = exponent == 0 ? std::ldexp(fraction, -24) : std::ldexp(1024 + fraction, exponent - 25);
    ASSERT_TRUE(accepts(static_cast<float>(value))) << value;
    ASSERT_TRUE(accepts(static_cast<float>(-value))) << -value;
    // The neighbouring binary32 number is none.
    ASSERT_FALSE(accepts(std::nextafter(static_cast<float>(value), 1e30f))) << value;
  }
  EXPECT_FALSE(accepts(65536.f));
  EXPECT_TRUE(accepts(std::numeric_limits<float>::infinity()));
  Manifest full = ConstantPicture(MATTE, MakeWindow(0, 0, 1, 1), 0.1f);
  EXPECT_FALSE(ValidateManifest(full).ok());
  full.set_full_precision(true);
  EXPECT_OK(ValidateManifest(full));
}

TEST(ValidateManifest, RandomChangesAreAnsweredNotSuffered) {
  // It would report every broken string.
  const google::protobuf::LogSilencer quiet;
  std::mt19937 random(3);
  const std::string good = ConstantPicture(STRAIGHT, MakeWindow(-9, 0, 600, 300), 1).SerializeAsString();
  for (int round = 0; round < 20000; ++round) {
    std::string bytes = good;
    for (int i = random() % 4; i >= 0; --i) bytes[random() % 40 % bytes.size()] = static_cast<char>(random());
    if (random() % 4 == 0) bytes.resize(random() % bytes.size());
    Manifest m;
    if (!m.ParseFromString(bytes) || !ValidateManifest(m).ok()) continue;
    // What is accepted can be walked through to its last tile.
    const size_t tiles = TileCount(m);
    if (m.kind() != BLOB) {
      ASSERT_EQ(tiles, size_t(TileGrid(m.window()).count()) * m.channel_size());
    }
    for (size_t i = 0; i < tiles; ++i) GetTile(m, i);
    ASSERT_LE(StoredDigests(m).size(), tiles);
  }
}

}  // namespace
}  // namespace selvage
