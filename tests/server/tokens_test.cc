// Tokens, certificates and secrets on disk.
#include <gmock/gmock.h>
#include <openssl/ssl.h>
#include <sys/stat.h>

#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <fstream>

#include "absl/strings/str_cat.h"
#include "proto/door/certificate.h"
#include "proto/door/openssl.h"
#include "proto/door/private_file.h"
#include "server/door/authority.h"
#include "server/door/served_identity.h"
#include "server/listeners.h"
#include "tests/server/door_testing.h"

namespace selvage {
namespace {

using ::testing::HasSubstr;
namespace fs = std::filesystem;

constexpr int64_t kNow = 1'800'000'000, kDay = 86'400;

std::string Read(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}
void Write(const std::string& path, const std::string& bytes) { std::ofstream(path, std::ios::binary) << bytes; }
unsigned ModeOf(const std::string& path) {
  struct stat s {};
  EXPECT_EQ(::stat(path.c_str(), &s), 0) << path;
  return s.st_mode & 0777;
}

TEST(Tokens, OnlyADigestIsKept) {
  const TemporaryFolder folder;
  const auto token = AddToken(folder.path(), {"rhea", Token::SUBMITTER}, kNow);
  ASSERT_TRUE(token.ok()) << token.status();
  EXPECT_GE(token->size(), 43u);
  const std::string text = Read(folder.file("tokens"));
  EXPECT_EQ(text.find(*token), std::string::npos);
  EXPECT_THAT(text, HasSubstr(Sha256(*token).Hex()));
  EXPECT_EQ(ModeOf(folder.file("tokens")), 0600u);
  EXPECT_NE(*AddToken(folder.path(), {"tove", Token::SUBMITTER}, kNow), *token);
}

TEST(Tokens, AreFoundUntilTheyRunOutOrAreRevoked) {
  const TemporaryFolder folder;
  const std::string token = *AddToken(folder.path(), {"rhea", Token::SUBMITTER, kNow + 90 * kDay}, kNow);
  const std::string other = *AddToken(folder.path(), {"tove", Token::VIEWER}, kNow);
  const auto tokens = Tokens::Open(folder.path());
  ASSERT_TRUE(tokens.ok()) << tokens.status();
  const auto rhea = (*tokens)->Find(token, kNow + 89 * kDay);
  ASSERT_TRUE(rhea.ok()) << rhea.status();
  EXPECT_EQ(rhea->name, "rhea");
  EXPECT_EQ(rhea->role, Token::SUBMITTER);
  EXPECT_EQ((*tokens)->Find(other, kNow)->name, "tove");
  EXPECT_EQ((*tokens)->CountGood(kNow + 91 * kDay), 1u);
  const auto late = (*tokens)->Find(token, kNow + 90 * kDay);
  EXPECT_TRUE(absl::IsUnauthenticated(late.status()));
  EXPECT_THAT(std::string(late.status().message()), HasSubstr("the token of rhea ran out on 2027-04-15"));
  EXPECT_TRUE((*tokens)->StillGood(*rhea, kNow));
  EXPECT_FALSE((*tokens)->StillGood(*rhea, kNow + 90 * kDay));

  ASSERT_TRUE(RevokeToken(folder.path(), "rhea", kNow + 1).ok());
  ASSERT_TRUE((*tokens)->Refresh().ok());
  EXPECT_THAT(std::string((*tokens)->Find(token, kNow + 2).status().message()), HasSubstr("was revoked on"));
  EXPECT_FALSE((*tokens)->StillGood(*rhea, kNow + 2));
  EXPECT_TRUE(absl::IsNotFound(RevokeToken(folder.path(), "rhea", kNow + 3)));
  // The name is free again, for another token.
  const std::string again = *AddToken(folder.path(), {"rhea", Token::VIEWER}, kNow + 4);
  ASSERT_TRUE((*tokens)->Refresh().ok());
  EXPECT_EQ((*tokens)->Find(again, kNow + 5)->role, Token::VIEWER);
  EXPECT_FALSE((*tokens)->StillGood(*rhea, kNow + 5));
}

TEST(Tokens, WhatCannotBeIsRefused) {
  const TemporaryFolder folder;
  for (const char* name : {"", "rhea lunt", "rhea@ws1", "-rhea", "a/b", "a:b", "rhea\n", "häns"}) {
    EXPECT_TRUE(absl::IsInvalidArgument(AddToken(folder.path(), {name, Token::VIEWER}, kNow).status())) << name;
  }
  EXPECT_TRUE(absl::IsInvalidArgument(AddToken(folder.path(), {std::string(33, 'a'), Token::VIEWER}, kNow).status()));
  EXPECT_TRUE(absl::IsInvalidArgument(AddToken(folder.path(), {"rhea", Token::ROLE_UNSPECIFIED}, kNow).status()));
  ASSERT_TRUE(AddToken(folder.path(), {"rhea", Token::VIEWER}, kNow).ok());
  EXPECT_TRUE(absl::IsAlreadyExists(AddToken(folder.path(), {"rhea", Token::VIEWER}, kNow).status()));
  for (const char* bad : {"d", "90", "-1d", "0d", "1.5d", "9999999999d", "3 weeks"}) {
    EXPECT_FALSE(ParseExpiry(bad, kNow).ok()) << bad;
  }
  EXPECT_EQ(*ParseExpiry("90d", kNow), kNow + 90 * kDay);
  EXPECT_EQ(*ParseExpiry("", kNow), 0);
}

TEST(Tokens, AFileThatOthersCanReadOrThatIsDamagedIsNotBelieved) {
  const TemporaryFolder folder;
  const std::string token = *AddToken(folder.path(), {"rhea", Token::VIEWER}, kNow);
  const auto tokens = Tokens::Open(folder.path());
  ASSERT_TRUE(tokens.ok());
  const std::string text = Read(folder.file("tokens"));
  ASSERT_TRUE(WritePrivateFile(folder.file("tokens"), text.substr(0, text.size() / 2)).ok());
  EXPECT_THAT(std::string((*tokens)->Refresh().message()), HasSubstr("is damaged"));
  EXPECT_TRUE((*tokens)->Find(token, kNow).ok()) << "what was known stays";
  EXPECT_FALSE(Tokens::Open(folder.path()).ok());
  ASSERT_TRUE(WritePrivateFile(folder.file("tokens"), text).ok());
  ::chmod(folder.file("tokens").c_str(), 0644);
  EXPECT_THAT(std::string(Tokens::Open(folder.path()).status().message()), HasSubstr("chmod 600"));
  fs::remove(folder.file("tokens"));
  ASSERT_TRUE((*tokens)->Refresh().ok());
  EXPECT_FALSE((*tokens)->Find(token, kNow).ok()) << "no file, no tokens";
}

TEST(TokenFiles, HoldOneWordThatOthersCannotRead) {
  const TemporaryFolder folder;
  const std::string path = folder.file("rhea.token"), token = "selvage_" + std::string(43, 'x');
  ASSERT_TRUE(WritePrivateFile(path, token + "\n").ok());
  EXPECT_EQ(*ReadTokenFile(path), token);
  ::chmod(path.c_str(), 0640);
  EXPECT_TRUE(ReadTokenFile(path).ok()) << "a group of the house's own";
  ::chmod(path.c_str(), 0644);
  EXPECT_THAT(std::string(ReadTokenFile(path).status().message()), HasSubstr("others may read it"));
  const std::string secret = "two words of a secret sentence";
  ASSERT_TRUE(WritePrivateFile(path, secret).ok());
  const absl::Status bad = ReadTokenFile(path).status();
  EXPECT_TRUE(absl::IsInvalidArgument(bad));
  EXPECT_EQ(std::string(bad.message()).find(secret), std::string::npos);
  EXPECT_FALSE(ReadTokenFile(folder.file("none")).ok());
}

TEST(PrivateFiles, WrittenByRootBelongToTheOwnerOfTheFolder) {
  if (::geteuid() != 0) GTEST_SKIP() << "only root can write for others";
  const TemporaryFolder folder;
  ASSERT_EQ(::chown(folder.path().c_str(), 12345, 12346), 0);
  ASSERT_TRUE(AddToken(folder.path(), {"rhea", Token::VIEWER}, kNow).ok());
  for (const char* name : {"tokens", "tokens.lock"}) {
    struct stat s {};
    ASSERT_EQ(::stat(folder.file(name).c_str(), &s), 0);
    EXPECT_EQ(s.st_uid, 12345u) << name;
    EXPECT_EQ(s.st_mode & 0777, 0600u) << name;
  }
}

// --- Certificates.

TEST(Authority, IsMadeOnceAndItsCertificateIsRenewedInTime) {
  const TemporaryFolder folder;
  const auto made = OwnIdentity(folder.path(), {"render01", "10.1.2.3"}, kNow);
  ASSERT_TRUE(made.ok()) << made.status();
  for (const char* file : {"authority.pem", "authority.key", "daemon.pem", "daemon.key"}) {
    EXPECT_EQ(ModeOf(folder.file(absl::StrCat("tls/", file))), 0600u) << file;
  }
  EXPECT_EQ(ModeOf(folder.file("tls")), 0700u);
  const auto chain = *ReadCertificates(made->chain);
  ASSERT_EQ(chain.size(), 2u);
  EXPECT_THAT(chain[0].names, ::testing::Contains("render01"));
  EXPECT_THAT(chain[0].names, ::testing::Contains("10.1.2.3"));
  EXPECT_TRUE(CheckChain(chain, chain[1].pem, "render01", kNow).ok());
  EXPECT_TRUE(CheckChain(chain, chain[1].pem, "10.1.2.3", kNow).ok());
  EXPECT_TRUE(CheckChain(chain, chain[0].pem, chain[0].names[0], kNow).ok()) << "trusted by itself";
  EXPECT_TRUE(absl::IsNotFound(CheckChain(chain, chain[1].pem, "render02", kNow)));
  EXPECT_TRUE(absl::IsFailedPrecondition(CheckChain(chain, chain[1].pem, "render01", kNow + 400 * kDay)));

  EXPECT_EQ(OwnIdentity(folder.path(), {"render01"}, kNow + 300 * kDay)->chain, made->chain);
  const auto renewed = *ReadCertificates(OwnIdentity(folder.path(), {"render01"}, kNow + 310 * kDay)->chain);
  EXPECT_NE(renewed[0].fingerprint, chain[0].fingerprint);
  EXPECT_EQ(renewed[1].fingerprint, chain[1].fingerprint);
  // Whoever trusts the authority and the name that it gave still does.
  EXPECT_TRUE(CheckChain(renewed, chain[1].pem, chain[0].names[0], kNow + 400 * kDay).ok());
}

TEST(Authority, HalfAFolderIsSaid) {
  const TemporaryFolder folder;
  ASSERT_TRUE(OwnIdentity(folder.path(), {}, kNow).ok());
  fs::remove(folder.file("tls/daemon.key"));
  EXPECT_TRUE(OwnIdentity(folder.path(), {}, kNow).ok()) << "made again";
  fs::remove(folder.file("tls/authority.key"));
  EXPECT_THAT(std::string(OwnIdentity(folder.path(), {}, kNow).status().message()), HasSubstr("is missing"));
}

TEST(Fingerprints, AreReadAsPeopleCopyThem) {
  const Digest d = Sha256("certificate");
  const std::string text = FingerprintText(d);
  EXPECT_EQ(text.size(), 95u);
  EXPECT_EQ(*ParseFingerprint(text), d);
  EXPECT_EQ(*ParseFingerprint(d.Hex()), d);
  for (const std::string& bad : {std::string(), text.substr(3), text + ":00", "x" + text, d.Hex() + "\xc3\xa4"}) {
    EXPECT_FALSE(ParseFingerprint(bad).ok()) << bad;
  }
}

TEST(Certificates, GarbageIsRefused) {
  EXPECT_FALSE(ReadCertificates("").ok());
  EXPECT_FALSE(ReadCertificates("-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n").ok());
}

// --- What clients see of the door.

TEST(DoorTls, OlderThanTls13IsRefused) {
  Daemon daemon;
  DoorOf door(&daemon);
  const auto handshake = [&](int version) {
    const std::unique_ptr<SSL_CTX, Frees<SSL_CTX_free>> context(SSL_CTX_new(TLS_client_method()));
    SSL_CTX_set_max_proto_version(context.get(), version);
    const BioPtr bio(BIO_new_connect(absl::StrCat("127.0.0.1:", door.port()).c_str()));
    const std::unique_ptr<SSL, Frees<SSL_free>> ssl(SSL_new(context.get()));
    static constexpr unsigned char kHttp2[] = {2, 'h', '2'};
    SSL_set_alpn_protos(ssl.get(), kHttp2, sizeof kHttp2);
    EXPECT_EQ(BIO_do_connect(bio.get()), 1);
    BIO_up_ref(bio.get());
    SSL_set_bio(ssl.get(), bio.get(), bio.get());
    const bool done = SSL_connect(ssl.get()) == 1;
    OpenSslError();
    return done;
  };
  EXPECT_TRUE(handshake(TLS1_3_VERSION));
  EXPECT_FALSE(handshake(TLS1_2_VERSION));
}

TEST(DoorTls, AnotherFingerprintIsNotTrusted) {
  Daemon daemon;
  DoorOf door(&daemon);
  const std::string address = absl::StrCat("127.0.0.1:", door.port());
  const auto other = Trust(address, FingerprintText(Sha256("another")), "");
  EXPECT_THAT(std::string(other.status().message()), HasSubstr("has another certificate"));
  EXPECT_THAT(std::string(other.status().message()), HasSubstr(door.door().Fingerprint()));
}

TEST(DoorTls, ACertificateThatChangedGetsNoTokenAndIsSaid) {
  Daemon daemon;
  DoorOf door(&daemon), impostor(&daemon);
  const std::string token = door.Add("rhea", Token::SUBMITTER);
  Route route = door.RouteFor(token);
  EXPECT_TRUE(Diagnose(route).ok());
  // The same address, as far as the client knows.
  route.address = absl::StrCat("127.0.0.1:", impostor.port());
  WhoAmIReply reply;
  EXPECT_EQ(AskWho(OpenChannel(route, {}), &reply).error_code(), grpc::StatusCode::UNAVAILABLE);
  EXPECT_THAT(std::string(Diagnose(route).message()), HasSubstr("shows another certificate"));
}

struct Files {
  std::string cert, key;
};
Files WriteIdentity(const TemporaryFolder& folder, const TemporaryFolder& state, const std::string& name, int64_t now) {
  const auto identity = OwnIdentity(state.path(), {"127.0.0.1", "localhost"}, now);
  EXPECT_TRUE(identity.ok()) << identity.status();
  const Files files{folder.file(name + ".pem"), folder.file(name + ".key")};
  Write(files.cert, identity->chain);
  EXPECT_TRUE(WritePrivateFile(files.key, identity->key).ok());
  return files;
}

TEST(DoorTls, ACertificateThatRanOutIsSaid) {
  const TemporaryFolder folder, house;
  const int64_t now = std::time(nullptr);
  const Files files = WriteIdentity(folder, house, "daemon", now - 400 * kDay);
  const auto refused = Door::Open({.state = folder.path(), .tls_cert = files.cert, .tls_key = files.key});
  EXPECT_THAT(std::string(refused.status().message()), HasSubstr("the certificate ran out on"));
  EXPECT_THAT(std::string(refused.status().message()), HasSubstr(files.cert));
}

TEST(DoorTls, AClientTellsThatTheCertificateOfADaemonRanOut) {
  const TemporaryFolder house;
  const auto identity = OwnIdentity(house.path(), {"127.0.0.1"}, std::time(nullptr) - 400 * kDay);
  ASSERT_TRUE(identity.ok()) << identity.status();
  const auto served = ServedIdentity::Serve(*identity);
  ASSERT_TRUE(served.ok()) << served.status();
  grpc::experimental::TlsServerCredentialsOptions options((*served)->provider());
  options.watch_identity_key_cert_pairs();
  grpc::ServerBuilder builder;
  int port = 0;
  builder.AddListeningPort("127.0.0.1:0", grpc::experimental::TlsServerCredentials(options), &port);
  DoorService::Service nothing;
  builder.RegisterService(&nothing);
  const auto server = builder.BuildAndStart();
  ASSERT_NE(port, 0);
  const auto chain = *ReadCertificates(identity->chain);
  const std::string address = absl::StrCat("127.0.0.1:", port);
  Route route{address, true, {}};
  route.known.set_certificate(chain.back().pem);
  route.known.set_certificate_name(chain.front().names.front());
  route.known.set_token("selvage_" + std::string(43, 'x'));
  WhoAmIReply reply;
  EXPECT_EQ(AskWho(OpenChannel(route, {}), &reply).error_code(), grpc::StatusCode::UNAVAILABLE);
  EXPECT_THAT(std::string(Diagnose(route).message()), HasSubstr("the certificate ran out on"));
  EXPECT_THAT(std::string(Trust(address, FingerprintText(chain.back().fingerprint), "").status().message()),
              HasSubstr("the certificate ran out on"));
  server->Shutdown();
}

TEST(DoorTls, ARenewedCertificateOfTheHouseIsTakenUpAndABadOneIsNot) {
  const TemporaryFolder folder, house;
  const int64_t now = std::time(nullptr);
  const Files files = WriteIdentity(folder, house, "daemon", now - 20 * kDay);
  Daemon daemon;
  DoorOf door(&daemon, files.cert, files.key);
  const std::string authority = Read(house.file("tls/authority.pem")),
                    address = absl::StrCat("127.0.0.1:", door.port());
  Write(folder.file("house.pem"), authority);
  const auto shown = [&] { return AskForCertificates("127.0.0.1", door.port(), 10)->front().fingerprint; };
  const Digest first = shown();
  const std::string token = door.Add("rhea", Token::SUBMITTER);
  auto known = Trust(address, "", folder.file("house.pem"));
  ASSERT_TRUE(known.ok()) << known.status();
  known->set_token(token);
  WhoAmIReply reply;
  EXPECT_TRUE(AskWho(OpenChannel({address, true, *known}, {}), &reply).ok());

  // Half of it: a certificate without its key.
  fs::remove(house.file("tls/daemon.pem"));
  const auto renewed = OwnIdentity(house.path(), {"127.0.0.1"}, now);
  ASSERT_TRUE(renewed.ok());
  Write(files.cert, renewed->chain);
  door.Tick();
  EXPECT_EQ(shown(), first);
  ASSERT_TRUE(WritePrivateFile(files.key, renewed->key).ok());
  door.Tick();
  const Digest second = ReadCertificates(renewed->chain)->front().fingerprint;
  ASSERT_NE(first, second);
  // gRPC looks about once a second.
  for (int i = 0; i < 600 && shown() != second; ++i) ::usleep(50'000);
  EXPECT_EQ(shown(), second);
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  EXPECT_TRUE(AskWho(OpenChannel({address, true, *known}, arguments), &reply).ok());
}

TEST(Listening, BeyondThisMachineNeedsATokenFirst) {
  const TemporaryFolder folder;
  const auto none =
      Listeners::Prepare({.addresses = {"127.0.0.1:0"}, .require_tls = true, .door = {.state = folder.path()}});
  EXPECT_TRUE(absl::IsFailedPrecondition(none.status()));
  EXPECT_THAT(std::string(none.status().message()), HasSubstr("selvaged token add NAME --role administrator"));
  EXPECT_FALSE(Listeners::Prepare({.addresses = {"0.0.0.0:7411"}, .door = {.state = folder.path()}}).ok());
  EXPECT_TRUE(Listeners::Prepare({.addresses = {"127.0.0.1:0"}, .door = {.state = folder.path()}}).ok());
  // One that has run out lets nobody in.
  ASSERT_TRUE(AddToken(folder.path(), {"rhea", Token::VIEWER, std::time(nullptr) - 1}, std::time(nullptr) - 60).ok());
  EXPECT_FALSE(Listeners::Prepare({.addresses = {"0.0.0.0:7411"}, .door = {.state = folder.path()}}).ok());
  ASSERT_TRUE(AddToken(folder.path(), {"tove", Token::VIEWER}, std::time(nullptr)).ok());
  EXPECT_TRUE(Listeners::Prepare({.addresses = {"0.0.0.0:7411"}, .door = {.state = folder.path()}}).ok());
}

TEST(Listening, WithoutAPlainAddressThereIsAWayFromWithin) {
  Daemon daemon;
  const TemporaryFolder folder;
  ASSERT_TRUE(AddToken(folder.path(), {"tove", Token::VIEWER}, std::time(nullptr)).ok());
  auto listeners =
      Listeners::Prepare({.addresses = {"127.0.0.1:0"}, .require_tls = true, .door = {.state = folder.path()}});
  ASSERT_TRUE(listeners.ok()) << listeners.status();
  ASSERT_TRUE((*listeners)->Start(&daemon.engine()).ok());
  EXPECT_EQ((*listeners)->plain().port, 0);
  EXPECT_NE((*listeners)->tls().port, 0);
  {
    FakeWorker worker((*listeners)->InProcess(), "embedded");
    EXPECT_EQ(daemon.Run(daemon.TwoPasses()).state(), JOB_DONE);
  }
  (*listeners)->Shutdown();
}

// --- What a client remembers.

TEST(KnownDaemonsFile, HoldsSecretsAndLeadsTheWay) {
  const TemporaryFolder folder;
  ::setenv("XDG_CONFIG_HOME", folder.path().c_str(), 1);
  ::unsetenv("SELVAGE_SERVER");
  EXPECT_EQ(FindRoute("")->address, "127.0.0.1:7311");
  EXPECT_FALSE(FindRoute("")->tls);
  EXPECT_THAT(std::string(FindRoute("render01:7411").status().message()), HasSubstr("selvage connect render01:7411"));
  KnownDaemons daemons;
  KnownDaemon& d = *daemons.add_daemon();
  d.set_address("render01:7411");
  d.set_token("selvage_" + std::string(43, 'x'));
  daemons.set_chosen("render01:7411");
  ASSERT_TRUE(WriteKnownDaemons(daemons).ok());
  EXPECT_EQ(ModeOf(folder.file("selvage/daemons")), 0600u);
  EXPECT_EQ(ModeOf(folder.file("selvage")), 0700u);
  EXPECT_EQ(FindRoute("")->address, "render01:7411");
  EXPECT_TRUE(FindRoute("")->tls);
  EXPECT_FALSE(FindRoute("127.0.0.1:7311")->tls) << "the option goes first";
  ::setenv("SELVAGE_SERVER", "127.0.0.1:1", 1);
  EXPECT_EQ(FindRoute("")->address, "127.0.0.1:1") << "then the environment";
  ::unsetenv("SELVAGE_SERVER");
  ::chmod(folder.file("selvage/daemons").c_str(), 0644);
  EXPECT_THAT(std::string(FindRoute("").status().message()), HasSubstr("chmod 600"));
  ASSERT_TRUE(WritePrivateFile(folder.file("selvage/daemons"), "daemon {").ok());
  EXPECT_THAT(std::string(FindRoute("").status().message()), HasSubstr("is damaged"));
  EXPECT_EQ(FindRoute("127.0.0.1:7311")->address, "127.0.0.1:7311") << "needs nothing of it";
  ::unsetenv("XDG_CONFIG_HOME");
}

}  // namespace
}  // namespace selvage
