#include "cache/manifest.h"

#include <algorithm>
#include <bit>
#include <cstdlib>
#include <unordered_set>

#include "proto/endian.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr uint8_t kStoredTag = 0;
constexpr uint8_t kConstantTag = 1;

constexpr uint32_t kMaxExtent = 65536;
constexpr uint64_t kMaxPixels = uint64_t{1} << 28;
// Far beyond any format; keeps x + width and tile numbers inside int.
constexpr int32_t kMaxOrigin = 1 << 24;
// The largest picture there can be, four channels of binary32.
constexpr uint64_t kMaxBlobBytes = kMaxPixels * 16;

// Where tile positions come from: negative coordinates round downward too, so
// that tiles keep their place when a window grows to the left.
int64_t FloorDivide(int64_t a, int64_t b) { return a / b - (a % b < 0 ? 1 : 0); }

// Whether a binary16 number has exactly this value.
bool FitsHalf(uint32_t float_bits) {
  const uint32_t exponent = float_bits >> 23 & 255, fraction = float_bits & 0x7fffff;
  if (exponent == 0) return fraction == 0;
  if (exponent == 255) return (fraction & 0x1fff) == 0;
  const int power = static_cast<int>(exponent) - 127;
  if (power > 15 || power < -24) return false;
  // Below 2^-14 halves are subnormal and lose one bit for each power.
  const int lost = power >= -14 ? 13 : 13 + (-14 - power);
  return (fraction & ((1u << lost) - 1)) == 0;
}

absl::Status ValidateTile(const Manifest& m, size_t number) {
  const char* p = m.tiles().data() + number * kTileRefBytes;
  const uint8_t tag = static_cast<uint8_t>(*p);
  if (tag == kStoredTag) return absl::OkStatus();
  if (tag != kConstantTag)
    return absl::InvalidArgumentError(absl::StrCat("tile ", number, " has the unknown tag ", tag));
  if (m.kind() == BLOB)
    return absl::InvalidArgumentError(absl::StrCat("chunk ", number, " of a blob is a constant tile"));
  if (!std::all_of(p + 5, p + kTileRefBytes, [](char c) { return c == 0; })) {
    return absl::InvalidArgumentError(absl::StrCat("constant tile ", number, " has bytes after its value"));
  }
  if (!m.full_precision() && !FitsHalf(LoadLittle<uint32_t>(p + 1))) {
    return absl::InvalidArgumentError(absl::StrCat("the value of constant tile ", number, " is not a binary16 number"));
  }
  return absl::OkStatus();
}

absl::Status ValidateWindow(const Window& w) {
  if (w.width() < 1 || w.height() < 1 || w.width() > kMaxExtent || w.height() > kMaxExtent ||
      uint64_t{w.width()} * w.height() > kMaxPixels) {
    return absl::InvalidArgumentError(absl::StrCat("a window of ", w.width(), " x ", w.height(),
                                                   " pixels; allowed are 1 to 65536 each, at most 2^28 in all"));
  }
  if (w.x() < -kMaxOrigin || w.x() > kMaxOrigin || w.y() < -kMaxOrigin || w.y() > kMaxOrigin) {
    return absl::InvalidArgumentError(absl::StrCat("a window at (", w.x(), ", ", w.y(), "); allowed is -2^24 to 2^24"));
  }
  return absl::OkStatus();
}

// The number of tiles that a manifest of this shape has, or what is wrong with the shape.
absl::StatusOr<uint64_t> ExpectedTiles(const Manifest& m) {
  if (m.kind() == BLOB) {
    if (m.has_window() || m.channel_size() > 0 || m.full_precision()) {
      return absl::InvalidArgumentError("a blob with a window, channels or a precision");
    }
    if (m.blob_size() > kMaxBlobBytes) {
      return absl::InvalidArgumentError(absl::StrCat("a blob of ", m.blob_size(), " bytes; at most ", kMaxBlobBytes));
    }
    return (m.blob_size() + kBlobChunkBytes - 1) / kBlobChunkBytes;
  }
  if (m.kind() < MATTE || m.kind() > BLOB) return absl::InvalidArgumentError(absl::StrCat("unknown kind ", m.kind()));
  if (m.blob_size() != 0) return absl::InvalidArgumentError("a picture with a blob size");
  if (!m.has_window()) return absl::InvalidArgumentError("a picture without a window");
  RETURN_IF_ERROR(ValidateWindow(m.window()));
  static const std::vector<std::string> kMatteChannels{"A"}, kColorChannels{"R", "G", "B", "A"};
  const auto& channels = m.kind() == MATTE ? kMatteChannels : kColorChannels;
  if (!std::equal(channels.begin(), channels.end(), m.channel().begin(), m.channel().end())) {
    return absl::InvalidArgumentError(m.kind() == MATTE ? "a matte whose channels are not A"
                                                        : "colour whose channels are not R G B A");
  }
  return uint64_t(TileGrid(m.window()).count()) * channels.size();
}

}  // namespace

TileGrid::TileGrid(const Window& w) : first_column(0), first_row(0), columns(0), rows(0), window(w) {
  if (w.width() == 0 || w.height() == 0) return;
  first_column = static_cast<int>(FloorDivide(w.x(), kTileSize));
  first_row = static_cast<int>(FloorDivide(w.y(), kTileSize));
  columns = static_cast<int>(FloorDivide(int64_t{w.x()} + w.width() - 1, kTileSize)) - first_column + 1;
  rows = static_cast<int>(FloorDivide(int64_t{w.y()} + w.height() - 1, kTileSize)) - first_row + 1;
}

Window TileGrid::TileWindow(int column, int row) const {
  const int64_t left = int64_t{first_column + column} * kTileSize, top = int64_t{first_row + row} * kTileSize;
  const int64_t x0 = std::max<int64_t>(left, window.x()), y0 = std::max<int64_t>(top, window.y());
  const int64_t x1 = std::min<int64_t>(left + kTileSize, int64_t{window.x()} + window.width());
  const int64_t y1 = std::min<int64_t>(top + kTileSize, int64_t{window.y()} + window.height());
  Window tile;
  tile.set_x(static_cast<int32_t>(x0));
  tile.set_y(static_cast<int32_t>(y0));
  tile.set_width(static_cast<uint32_t>(x1 - x0));
  tile.set_height(static_cast<uint32_t>(y1 - y0));
  return tile;
}

TileRef GetTile(const Manifest& m, size_t number) {
  const char* p = m.tiles().data() + number * kTileRefBytes;
  TileRef tile;
  tile.constant = static_cast<uint8_t>(*p) == kConstantTag;
  if (tile.constant) {
    tile.value = std::bit_cast<float>(LoadLittle<uint32_t>(p + 1));
  } else {
    std::memcpy(tile.digest.bytes.data(), p + 1, tile.digest.bytes.size());
  }
  return tile;
}

void AppendTile(Manifest* m, const TileRef& tile) {
  std::string* out = m->mutable_tiles();
  const size_t start = out->size();
  out->push_back(static_cast<char>(tile.constant ? kConstantTag : kStoredTag));
  if (tile.constant) {
    AppendLittle<uint32_t>(out, std::bit_cast<uint32_t>(tile.value));
    out->resize(start + kTileRefBytes, '\0');
  } else {
    out->append(tile.digest.view());
  }
}

size_t TileCount(const Manifest& m) { return m.tiles().size() / kTileRefBytes; }

std::vector<Digest> StoredDigests(const Manifest& m) {
  std::vector<Digest> digests;
  std::unordered_set<Digest, DigestHash> seen;
  for (size_t i = 0; i < TileCount(m); ++i) {
    const TileRef tile = GetTile(m, i);
    if (!tile.constant && seen.insert(tile.digest).second) digests.push_back(tile.digest);
  }
  return digests;
}

// DO NOT CHANGE: these bytes are in every trace key. Our own encoding, because
// serialised protobuf is not canonical.
Digest ContentDigest(const Manifest& m) {
  std::string bytes = "selvage content 1\n";
  AppendLittle<uint32_t>(&bytes, static_cast<uint32_t>(m.kind()));
  AppendLittle<uint32_t>(&bytes, static_cast<uint32_t>(m.window().x()));
  AppendLittle<uint32_t>(&bytes, static_cast<uint32_t>(m.window().y()));
  AppendLittle<uint32_t>(&bytes, m.window().width());
  AppendLittle<uint32_t>(&bytes, m.window().height());
  AppendLittle<uint8_t>(&bytes, m.full_precision() ? 1 : 0);
  AppendLittle<uint32_t>(&bytes, m.channel_size());
  for (const std::string& channel : m.channel()) {
    AppendLittle<uint32_t>(&bytes, channel.size());
    bytes += channel;
  }
  AppendLittle<uint64_t>(&bytes, m.blob_size());
  AppendLittle<uint64_t>(&bytes, m.tiles().size());
  bytes += m.tiles();
  return Sha256(bytes);
}

absl::Status ValidateManifest(const Manifest& m) {
  ASSIGN_OR_RETURN(const uint64_t expected, ExpectedTiles(m));
  if (m.tiles().size() != expected * kTileRefBytes) {
    return absl::InvalidArgumentError(absl::StrCat(m.tiles().size(), " bytes of tiles where ", expected, " tiles of ",
                                                   kTileRefBytes, " bytes belong"));
  }
  for (size_t i = 0; i < expected; ++i) RETURN_IF_ERROR(ValidateTile(m, i));
  return absl::OkStatus();
}

}  // namespace selvage
