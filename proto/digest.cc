#include "proto/digest.h"

#include <openssl/evp.h>

#include "absl/strings/escaping.h"

namespace selvage {
std::string Digest::Hex() const {
  return absl::BytesToHexString({reinterpret_cast<const char*>(bytes.data()), bytes.size()});
}

std::optional<Digest> Digest::FromBytes(std::string_view raw) {
  Digest d;
  if (raw.size() != d.bytes.size()) return std::nullopt;
  std::memcpy(d.bytes.data(), raw.data(), raw.size());
  return d;
}

struct Sha256Stream::Impl {
  EVP_MD_CTX* context = EVP_MD_CTX_new();
  ~Impl() { EVP_MD_CTX_free(context); }
};

Sha256Stream::Sha256Stream() : impl_(std::make_unique<Impl>()) {
  EVP_DigestInit_ex(impl_->context, EVP_sha256(), nullptr);
}
Sha256Stream::~Sha256Stream() = default;

void Sha256Stream::Update(std::string_view bytes) { EVP_DigestUpdate(impl_->context, bytes.data(), bytes.size()); }

Digest Sha256Stream::Finish() {
  Digest d;
  EVP_DigestFinal_ex(impl_->context, d.bytes.data(), nullptr);
  return d;
}

Digest Sha256(std::string_view bytes) {
  Digest d;
  // EVP_Digest sets up its own context; about 0.3 us for short inputs.
  EVP_Digest(bytes.data(), bytes.size(), d.bytes.data(), nullptr, EVP_sha256(), nullptr);
  return d;
}

}  // namespace selvage
