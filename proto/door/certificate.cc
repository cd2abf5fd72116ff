#include "proto/door/certificate.h"

#include <openssl/err.h>
#include <openssl/pem.h>
#include <openssl/x509.h>
#include <openssl/x509v3.h>

#include <ctime>
#include <memory>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/door/openssl.h"
#include "proto/status.h"

namespace selvage {
namespace {

int64_t Seconds(const ASN1_TIME* time) {
  tm parts{};
  return ASN1_TIME_to_tm(time, &parts) == 1 ? static_cast<int64_t>(::timegm(&parts)) : 0;
}

std::string AddressText(const ASN1_OCTET_STRING* address) {
  const unsigned char* b = ASN1_STRING_get0_data(address);
  if (ASN1_STRING_length(address) == 4) return absl::StrCat(b[0], ".", b[1], ".", b[2], ".", b[3]);
  std::string text;
  for (int i = 0; i + 1 < ASN1_STRING_length(address); i += 2) {
    absl::StrAppendFormat(&text, "%s%x", i == 0 ? "" : ":", b[i] << 8 | b[i + 1]);
  }
  return text;
}

std::vector<std::string> NamesOf(const X509* certificate) {
  std::vector<std::string> names;
  auto* all = static_cast<GENERAL_NAMES*>(X509_get_ext_d2i(certificate, NID_subject_alt_name, nullptr, nullptr));
  for (int i = 0; i < sk_GENERAL_NAME_num(all); ++i) {
    const GENERAL_NAME* name = sk_GENERAL_NAME_value(all, i);
    if (name->type == GEN_DNS) {
      names.emplace_back(reinterpret_cast<const char*>(ASN1_STRING_get0_data(name->d.dNSName)),
                         static_cast<size_t>(ASN1_STRING_length(name->d.dNSName)));
    } else if (name->type == GEN_IPADD) {
      names.push_back(AddressText(name->d.iPAddress));
    }
  }
  GENERAL_NAMES_free(all);
  return names;
}

absl::StatusOr<X509Ptr> Parse(const std::string& pem) {
  const BioPtr bio(BIO_new_mem_buf(pem.data(), static_cast<int>(pem.size())));
  X509Ptr certificate(PEM_read_bio_X509(bio.get(), nullptr, nullptr, nullptr));
  if (!certificate) return absl::InvalidArgumentError(absl::StrCat("no certificate in PEM form: ", OpenSslError()));
  return certificate;
}

bool IsFor(X509* certificate, const std::string& name) {
  return X509_check_host(certificate, name.data(), name.size(), 0, nullptr) == 1 ||
         X509_check_ip_asc(certificate, name.c_str(), 0) == 1;
}

absl::Status CheckDates(const Certificate& c, int64_t now) {
  if (now < c.from_unix_s) {
    return absl::FailedPreconditionError(absl::StrCat("the certificate is good only from ", DateText(c.from_unix_s),
                                                      " on, and here it is ", DateText(now), "; is a clock wrong?"));
  }
  if (now >= c.until_unix_s) {
    return absl::FailedPreconditionError(absl::StrCat("the certificate ran out on ", DateText(c.until_unix_s)));
  }
  return absl::OkStatus();
}

}  // namespace

Certificate Describe(X509* certificate) {
  Certificate c;
  const BioPtr bio(BIO_new(BIO_s_mem()));
  PEM_write_bio_X509(bio.get(), certificate);
  c.pem = BioText(bio.get());
  unsigned length = 0;
  X509_digest(certificate, EVP_sha256(), c.fingerprint.bytes.data(), &length);
  c.from_unix_s = Seconds(X509_get0_notBefore(certificate));
  c.until_unix_s = Seconds(X509_get0_notAfter(certificate));
  c.names = NamesOf(certificate);
  return c;
}

absl::StatusOr<std::vector<Certificate>> ReadCertificates(const std::string& pem) {
  std::vector<Certificate> chain;
  const BioPtr bio(BIO_new_mem_buf(pem.data(), static_cast<int>(pem.size())));
  while (X509Ptr c{PEM_read_bio_X509(bio.get(), nullptr, nullptr, nullptr)}) chain.push_back(Describe(c.get()));
  const bool at_end = ERR_GET_REASON(ERR_peek_last_error()) == PEM_R_NO_START_LINE;
  const std::string error = OpenSslError();
  if (chain.empty()) return absl::InvalidArgumentError("no certificate in PEM form (-----BEGIN CERTIFICATE-----)");
  if (!at_end) {
    return absl::InvalidArgumentError(absl::StrCat("certificate ", chain.size() + 1, " cannot be read: ", error));
  }
  return chain;
}

std::string FingerprintText(const Digest& fingerprint) {
  std::string text;
  for (const uint8_t b : fingerprint.bytes) absl::StrAppendFormat(&text, "%s%02X", text.empty() ? "" : ":", b);
  return text;
}

absl::StatusOr<Digest> ParseFingerprint(const std::string& text) {
  std::string digits;
  for (const char c : text) {
    if (absl::ascii_isxdigit(static_cast<unsigned char>(c))) {
      digits += c;
    } else if (c != ':' && c != ' ') {
      digits.clear();
      break;
    }
  }
  if (digits.size() != 64) {
    return absl::InvalidArgumentError(
        absl::StrCat("\"", text, "\" is no fingerprint: it has 64 hexadecimal digits, as selvaged prints it"));
  }
  Digest d;
  for (size_t i = 0; i < 32; ++i) d.bytes[i] = static_cast<uint8_t>(std::stoul(digits.substr(2 * i, 2), nullptr, 16));
  return d;
}

absl::Status CheckKeyOf(const std::vector<Certificate>& chain, const std::string& key_pem, int64_t now_unix_s) {
  ASSIGN_OR_RETURN(const X509Ptr certificate, Parse(chain.front().pem));
  const BioPtr bio(BIO_new_mem_buf(key_pem.data(), static_cast<int>(key_pem.size())));
  // A key behind a pass phrase would ask for it on the terminal.
  const KeyPtr key(PEM_read_bio_PrivateKey(
      bio.get(), nullptr, [](char*, int, int, void*) { return -1; }, nullptr));
  if (!key) {
    OpenSslError();
    return absl::FailedPreconditionError("no private key in PEM form without a pass phrase");
  }
  if (X509_check_private_key(certificate.get(), key.get()) != 1) {
    OpenSslError();
    return absl::FailedPreconditionError("the key does not belong to the certificate");
  }
  return CheckDates(chain.front(), now_unix_s);
}

absl::Status CheckChain(const std::vector<Certificate>& chain, const std::string& trusted, const std::string& name,
                        int64_t now_unix_s) {
  if (chain.empty()) return absl::UnauthenticatedError("there is no certificate");
  ASSIGN_OR_RETURN(const X509Ptr own, Parse(chain.front().pem));
  RETURN_IF_ERROR(CheckDates(chain.front(), now_unix_s));
  ASSIGN_OR_RETURN(const std::vector<Certificate> roots, ReadCertificates(trusted));
  const std::unique_ptr<X509_STORE, Frees<X509_STORE_free>> store(X509_STORE_new());
  X509_STORE_set_flags(store.get(), X509_V_FLAG_PARTIAL_CHAIN | X509_V_FLAG_TRUSTED_FIRST);
  for (const Certificate& root : roots) {
    ASSIGN_OR_RETURN(const X509Ptr c, Parse(root.pem));
    X509_STORE_add_cert(store.get(), c.get());
  }
  const std::unique_ptr<STACK_OF(X509), FreesStack> others(sk_X509_new_null());
  for (size_t i = 1; i < chain.size(); ++i) {
    ASSIGN_OR_RETURN(X509Ptr c, Parse(chain[i].pem));
    sk_X509_push(others.get(), c.release());
  }
  const std::unique_ptr<X509_STORE_CTX, Frees<X509_STORE_CTX_free>> context(X509_STORE_CTX_new());
  X509_STORE_CTX_init(context.get(), store.get(), own.get(), others.get());
  X509_STORE_CTX_set_time(context.get(), 0, static_cast<time_t>(now_unix_s));
  X509_STORE_CTX_set_default(context.get(), "ssl_server");
  const bool vouched_for = X509_verify_cert(context.get()) == 1;
  const int error = X509_STORE_CTX_get_error(context.get());
  OpenSslError();
  if (error == X509_V_ERR_CERT_HAS_EXPIRED) {
    return absl::FailedPreconditionError("the certificate of its authority ran out");
  }
  if (!vouched_for) {
    return absl::UnauthenticatedError(
        absl::StrCat("what is trusted does not vouch for it (", X509_verify_cert_error_string(error), ")"));
  }
  if (!IsFor(own.get(), name)) {
    std::string names;
    for (const std::string& n : chain.front().names) absl::StrAppend(&names, names.empty() ? "" : ", ", n);
    return absl::NotFoundError(absl::StrCat("the certificate is not for ", name, " but for ", names));
  }
  return absl::OkStatus();
}

std::string DateText(int64_t unix_s) {
  const time_t time = static_cast<time_t>(unix_s);
  tm parts{};
  ::gmtime_r(&time, &parts);
  return absl::StrFormat("%04d-%02d-%02d %02d:%02d UTC", parts.tm_year + 1900, parts.tm_mon + 1, parts.tm_mday,
                         parts.tm_hour, parts.tm_min);
}

}  // namespace selvage
