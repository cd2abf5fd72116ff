#include "client/file_digest.h"

#include <fstream>

#include "absl/strings/str_cat.h"

namespace selvage::client {

absl::StatusOr<Digest> DigestOfFile(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  Sha256Stream sha;
  std::string piece(1 << 20, '\0');
  while (in.read(piece.data(), static_cast<std::streamsize>(piece.size())) || in.gcount() > 0) {
    sha.Update({piece.data(), static_cast<size_t>(in.gcount())});
  }
  if (in.eof()) return sha.Finish();
  return absl::PermissionDeniedError(absl::StrCat(path, ": is there, but cannot be read"));
}

}  // namespace selvage::client
