#include "cache/tile_codec.h"

#include <zstd.h>

#include <memory>

#include "absl/strings/str_cat.h"
#include "proto/status.h"

namespace selvage {
namespace {

// DO NOT CHANGE the numbers: they are the first byte of every stored tile.
enum class Codec : uint8_t {
  kRaw = 0,
  kZstd = 1,
};

// Level 1 decodes mattes at about 900 MB/s and more; higher levels cost several
// times the encoding for a few percent of size.
constexpr int kZstdLevel = 1;

// A context is 1 MiB or so: one a thread, made at first use.
ZSTD_CCtx* Compressor() {
  thread_local const std::unique_ptr<ZSTD_CCtx, decltype(&ZSTD_freeCCtx)> context(ZSTD_createCCtx(), &ZSTD_freeCCtx);
  return context.get();
}
ZSTD_DCtx* Decompressor() {
  thread_local const std::unique_ptr<ZSTD_DCtx, decltype(&ZSTD_freeDCtx)> context(ZSTD_createDCtx(), &ZSTD_freeDCtx);
  return context.get();
}

absl::StatusOr<std::string> DecodeZstd(std::string_view coded) {
  // The size is claimed by bytes that may be damaged: bounded before allocating.
  const unsigned long long size = ZSTD_getFrameContentSize(coded.data(), coded.size());
  if (size > kMaxTileContent) return absl::DataLossError("stored tile has no usable size");
  if (ZSTD_findFrameCompressedSize(coded.data(), coded.size()) != coded.size()) {
    return absl::DataLossError("stored tile is not exactly one compressed frame");
  }
  std::string content(size, '\0');
  const size_t got = ZSTD_decompressDCtx(Decompressor(), content.data(), content.size(), coded.data(), coded.size());
  if (ZSTD_isError(got) || got != size) return absl::DataLossError("stored tile does not decompress");
  return content;
}

}  // namespace

std::string EncodeTile(std::string_view content) {
  std::string coded(1 + ZSTD_compressBound(content.size()), '\0');
  const size_t size = ZSTD_compressCCtx(Compressor(), coded.data() + 1, coded.size() - 1, content.data(), content.size(),
                                        kZstdLevel);
  if (ZSTD_isError(size) || size >= content.size()) {
    coded.assign(1, static_cast<char>(Codec::kRaw));
    coded.append(content);
    return coded;
  }
  coded[0] = static_cast<char>(Codec::kZstd);
  coded.resize(1 + size);
  coded.shrink_to_fit();
  return coded;
}

absl::StatusOr<std::string> DecodeTile(std::string_view coded) {
  if (coded.empty()) return absl::DataLossError("stored tile is empty");
  const uint8_t codec = static_cast<uint8_t>(coded[0]);
  coded.remove_prefix(1);
  switch (static_cast<Codec>(codec)) {
    case Codec::kRaw:
      if (coded.size() > kMaxTileContent) return absl::DataLossError("stored tile is larger than a tile can be");
      return std::string(coded);
    case Codec::kZstd:
      return DecodeZstd(coded);
  }
  return absl::DataLossError(absl::StrCat("stored tile has the unknown codec ", codec));
}

absl::StatusOr<std::string> DecodeVerified(std::string_view coded, const Digest& digest) {
  ASSIGN_OR_RETURN(std::string content, DecodeTile(coded));
  if (Sha256(content) != digest) return absl::DataLossError("stored tile does not match its digest");
  return content;
}

}  // namespace selvage
