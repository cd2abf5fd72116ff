// OpenSSL's objects with owners.
#pragma once

#include <openssl/bio.h>
#include <openssl/err.h>
#include <openssl/evp.h>
#include <openssl/x509.h>

#include <memory>
#include <string>

namespace selvage {

template <auto Free>
struct Frees {
  template <class T>
  void operator()(T* what) const {
    Free(what);
  }
};
struct FreesStack {
  void operator()(STACK_OF(X509) * stack) const { sk_X509_pop_free(stack, X509_free); }
};
using X509Ptr = std::unique_ptr<X509, Frees<X509_free>>;
using KeyPtr = std::unique_ptr<EVP_PKEY, Frees<EVP_PKEY_free>>;
using BioPtr = std::unique_ptr<BIO, Frees<BIO_free>>;

// What went wrong last on this thread; nothing is left behind.
inline std::string OpenSslError() {
  char text[256] = "unknown";
  if (const unsigned long error = ERR_peek_last_error()) ERR_error_string_n(error, text, sizeof text);
  ERR_clear_error();
  return text;
}

// All that was written to a BIO in memory.
inline std::string BioText(BIO* bio) {
  char* data = nullptr;
  const long size = BIO_get_mem_data(bio, &data);
  return std::string(data, static_cast<size_t>(size));
}

struct Certificate;
Certificate Describe(X509* certificate);

}  // namespace selvage
