#include "server/door/authority.h"

#include <openssl/bn.h>
#include <openssl/ec.h>
#include <openssl/pem.h>
#include <openssl/rand.h>
#include <openssl/x509v3.h>

#include <arpa/inet.h>

#include "absl/strings/str_cat.h"
#include "proto/door/certificate.h"
#include "proto/door/openssl.h"
#include "proto/door/private_file.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr int64_t kDay = 24 * 60 * 60;
constexpr int64_t kAuthorityLife = 20 * 365 * kDay, kDaemonLife = 365 * kDay, kRenewBefore = 60 * kDay;
// Clocks differ.
constexpr int64_t kBackdated = kDay;

absl::Status Failed(const char* what) {
  return absl::InternalError(absl::StrCat("cannot make ", what, ": ", OpenSslError()));
}

std::string KeyText(EVP_PKEY* key) {
  const BioPtr bio(BIO_new(BIO_s_mem()));
  PEM_write_bio_PrivateKey(bio.get(), key, nullptr, nullptr, 0, nullptr, nullptr);
  return BioText(bio.get());
}

bool AddExtension(X509* certificate, X509* issuer, int id, const std::string& value) {
  X509V3_CTX context;
  X509V3_set_ctx(&context, issuer, certificate, nullptr, nullptr, 0);
  const std::unique_ptr<X509_EXTENSION, Frees<X509_EXTENSION_free>> extension(
      X509V3_EXT_conf_nid(nullptr, &context, id, value.c_str()));
  return extension && X509_add_ext(certificate, extension.get(), -1) == 1;
}

struct Extension {
  int id;
  std::string value;
};

struct Made {
  X509Ptr certificate;
  KeyPtr key;
};

// Signed by `issuer`, or by itself. P-256 with SHA-256: what every TLS 1.3 speaks.
absl::StatusOr<Made> Make(const std::string& name, int64_t life, const std::vector<Extension>& extensions,
                          const Made* issuer, int64_t now) {
  Made made;
  made.key.reset(EVP_EC_gen("P-256"));
  made.certificate.reset(X509_new());
  X509* c = made.certificate.get();
  unsigned char serial[16];
  if (!made.key || c == nullptr || RAND_bytes(serial, sizeof serial) != 1) return Failed("a key");
  serial[0] &= 0x7f;
  const std::unique_ptr<BIGNUM, Frees<BN_free>> number(BN_bin2bn(serial, sizeof serial, nullptr));
  BN_to_ASN1_INTEGER(number.get(), X509_get_serialNumber(c));
  X509_set_version(c, X509_VERSION_3);
  ASN1_TIME_set(X509_getm_notBefore(c), static_cast<time_t>(now - kBackdated));
  ASN1_TIME_set(X509_getm_notAfter(c), static_cast<time_t>(now + life));
  X509_set_pubkey(c, made.key.get());
  X509_NAME_add_entry_by_txt(X509_get_subject_name(c), "CN", MBSTRING_UTF8,
                             reinterpret_cast<const unsigned char*>(name.c_str()), -1, -1, 0);
  X509* by = issuer != nullptr ? issuer->certificate.get() : c;
  X509_set_issuer_name(c, X509_get_subject_name(by));
  for (const Extension& e : extensions) {
    if (!AddExtension(c, by, e.id, e.value)) return Failed("a certificate");
  }
  EVP_PKEY* signs = issuer != nullptr ? issuer->key.get() : made.key.get();
  if (X509_sign(c, signs, EVP_sha256()) == 0) return Failed("a certificate");
  return made;
}

// Of the authority: what the daemon is called, whatever its address.
std::string OwnName(const Certificate& authority) {
  return absl::StrCat("selvaged-", authority.fingerprint.Hex().substr(0, 16));
}

std::string NamesText(const std::string& own, const std::vector<std::string>& hosts) {
  std::string text = absl::StrCat("DNS:", own);
  for (const std::string& h : hosts) {
    in6_addr any;
    const bool address = inet_pton(AF_INET, h.c_str(), &any) == 1 || inet_pton(AF_INET6, h.c_str(), &any) == 1;
    // Commas would end a name.
    if (!h.empty() && h.find(',') == std::string::npos) absl::StrAppend(&text, address ? ",IP:" : ",DNS:", h);
  }
  return text;
}

absl::StatusOr<Identity> ReadAuthority(const std::string& folder) {
  ASSIGN_OR_RETURN(const auto chain, ReadPrivateFile(folder + "/authority.pem"));
  ASSIGN_OR_RETURN(const auto key, ReadPrivateFile(folder + "/authority.key"));
  if (!chain && !key) return Identity();
  if (chain && key) return Identity{*chain, *key};
  return absl::FailedPreconditionError("one of authority.pem and authority.key is missing");
}

absl::StatusOr<Identity> MakeAuthority(const std::string& folder, int64_t now) {
  ASSIGN_OR_RETURN(const Made made, Make("selvage authority", kAuthorityLife,
                                         {{NID_basic_constraints, "critical,CA:TRUE,pathlen:0"},
                                          {NID_key_usage, "critical,keyCertSign"},
                                          {NID_subject_key_identifier, "hash"}},
                                         nullptr, now));
  const Identity authority{Describe(made.certificate.get()).pem, KeyText(made.key.get())};
  RETURN_IF_ERROR(MakePrivateFolder(folder));
  RETURN_IF_ERROR(WritePrivateFile(folder + "/authority.key", authority.key));
  RETURN_IF_ERROR(WritePrivateFile(folder + "/authority.pem", authority.chain));
  return authority;
}

absl::StatusOr<Identity> MakeDaemon(const Identity& authority, const std::vector<std::string>& hosts, int64_t now) {
  const BioPtr chain(BIO_new_mem_buf(authority.chain.data(), static_cast<int>(authority.chain.size())));
  const BioPtr key(BIO_new_mem_buf(authority.key.data(), static_cast<int>(authority.key.size())));
  const Made issuer{X509Ptr(PEM_read_bio_X509(chain.get(), nullptr, nullptr, nullptr)),
                    KeyPtr(PEM_read_bio_PrivateKey(key.get(), nullptr, nullptr, nullptr))};
  if (!issuer.certificate || !issuer.key) return Failed("a certificate: the authority cannot be read");
  const std::string own = OwnName(Describe(issuer.certificate.get()));
  ASSIGN_OR_RETURN(const Made made, Make("selvaged", kDaemonLife,
                                         {{NID_basic_constraints, "critical,CA:FALSE"},
                                          {NID_key_usage, "critical,digitalSignature"},
                                          {NID_ext_key_usage, "serverAuth"},
                                          {NID_subject_alt_name, NamesText(own, hosts)},
                                          {NID_authority_key_identifier, "keyid"}},
                                         &issuer, now));
  return Identity{Describe(made.certificate.get()).pem + authority.chain, KeyText(made.key.get())};
}

bool StillServes(const Identity& daemon, const std::string& authority, int64_t now) {
  const auto chain = ReadCertificates(daemon.chain);
  const auto root = ReadCertificates(authority);
  return chain.ok() && root.ok() && CheckKeyOf(*chain, daemon.key, now).ok() &&
         CheckChain(*chain, authority, OwnName(root->front()), now).ok() &&
         now < chain->front().until_unix_s - kRenewBefore;
}

absl::StatusOr<Identity> IdentityIn(const std::string& folder, const std::vector<std::string>& hosts, int64_t now) {
  ASSIGN_OR_RETURN(Identity authority, ReadAuthority(folder));
  if (authority.chain.empty()) {
    ASSIGN_OR_RETURN(authority, MakeAuthority(folder, now));
  }
  ASSIGN_OR_RETURN(const std::vector<Certificate> root, ReadCertificates(authority.chain));
  RETURN_IF_ERROR(CheckKeyOf(root, authority.key, now));
  ASSIGN_OR_RETURN(const auto chain, ReadPrivateFile(folder + "/daemon.pem"));
  ASSIGN_OR_RETURN(const auto key, ReadPrivateFile(folder + "/daemon.key"));
  Identity daemon{chain.value_or(""), key.value_or("")};
  if (StillServes(daemon, authority.chain, now)) return daemon;
  ASSIGN_OR_RETURN(daemon, MakeDaemon(authority, hosts, now));
  RETURN_IF_ERROR(WritePrivateFile(folder + "/daemon.key", daemon.key));
  RETURN_IF_ERROR(WritePrivateFile(folder + "/daemon.pem", daemon.chain));
  return daemon;
}

}  // namespace

absl::StatusOr<Identity> OwnIdentity(const std::string& state, const std::vector<std::string>& hosts,
                                     int64_t now_unix_s) {
  const std::string folder = state + "/tls";
  absl::StatusOr<Identity> identity = IdentityIn(folder, hosts, now_unix_s);
  if (identity.ok()) return identity;
  return absl::FailedPreconditionError(absl::StrCat(folder, ": ", identity.status().message(),
                                                    "; bring it back from a backup, or remove the folder: then there "
                                                    "is a new authority, and everybody must connect again"));
}

}  // namespace selvage
