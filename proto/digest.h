// SHA-256 digests of content, and the keys of results.
#pragma once

#include <array>
#include <compare>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

namespace selvage {

struct Digest {
  std::array<uint8_t, 32> bytes{};

  auto operator<=>(const Digest&) const = default;

  // Raw bytes, valid as long as this object.
  std::string_view view() const { return {reinterpret_cast<const char*>(bytes.data()), bytes.size()}; }
  std::string str() const { return std::string(view()); }
  // 64 lower-case hex digits.
  std::string Hex() const;
  // nullopt unless exactly 32 bytes.
  static std::optional<Digest> FromBytes(std::string_view raw);
};

// Digest of a recipe, not of content: a type of its own so that the two are
// never mixed up.
struct ResultKey {
  Digest digest;
  auto operator<=>(const ResultKey&) const = default;
  std::string Hex() const { return digest.Hex(); }
};

Digest Sha256(std::string_view bytes);

// Incremental SHA-256. Not copyable; Finish once.
class Sha256Stream {
 public:
  Sha256Stream();
  ~Sha256Stream();
  Sha256Stream(const Sha256Stream&) = delete;
  Sha256Stream& operator=(const Sha256Stream&) = delete;
  void Update(std::string_view bytes);
  Digest Finish();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

// First eight bytes of a digest: it is already uniformly distributed.
struct DigestHash {
  size_t operator()(const Digest& d) const {
    size_t h;
    std::memcpy(&h, d.bytes.data(), sizeof h);
    return h;
  }
  size_t operator()(const ResultKey& k) const { return (*this)(k.digest); }
};

}  // namespace selvage
