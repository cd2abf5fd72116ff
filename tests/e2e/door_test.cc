// As from other machines: real programs, TLS and tokens, on loopback addresses that are
// treated like any other (--require-tls).
#include <signal.h>
#include <sys/stat.h>

#include <cstdlib>
#include <filesystem>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "proto/door/private_file.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

namespace fs = std::filesystem;

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

const std::string kBinaries = SELVAGE_BINARY_DIR;

// One person's own machine: their configuration folder.
class Person {
 public:
  Person(const Studio& studio, const std::string& name) : config_(studio.file("config_" + name)) {}
  Finished operator()(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), {"/usr/bin/env", "-u", "SELVAGE_SERVER", "XDG_CONFIG_HOME=" + config_,
                                         kBinaries + "/client/selvage"});
    return RunProcess(arguments);
  }
  std::string file() const { return config_ + "/selvage/daemons"; }

 private:
  const std::string config_;
};

class Door : public ::testing::Test {
 protected:
  Finished Selvaged(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), kBinaries + "/server/selvaged");
    arguments.insert(arguments.end(), {"--state", studio_.file("state")});
    return RunProcess(arguments);
  }
  // The file that it is in.
  std::string AddToken(const std::string& name, const std::string& role) {
    const Finished made = Selvaged({"token", "add", name, "--role", role, "--expires", "90d"});
    EXPECT_EQ(made.exit_code, 0) << made.err;
    EXPECT_EQ(made.err.find(std::string(absl::StripAsciiWhitespace(made.out))), std::string::npos);
    secrets_.emplace_back(absl::StripAsciiWhitespace(made.out));
    const std::string path = studio_.file(name + ".token");
    EXPECT_TRUE(WritePrivateFile(path, made.out).ok());
    return path;
  }
  void Start(std::vector<std::string> more = {}) {
    more.push_back("--require-tls");
    studio_.Start({.local_workers = 0, .more = more});
  }
  // As it was printed last.
  std::string Fingerprint() const {
    const std::string text = ReadFile(studio_.log()), before = "certificate fingerprint (SHA-256): ";
    const size_t at = text.rfind(before);
    EXPECT_NE(at, std::string::npos) << text;
    return at == std::string::npos ? "" : text.substr(at + before.size(), 95);
  }
  Process StartWorker(const std::string& token) const {
    return Process({kBinaries + "/worker/selvage-worker", "--server", studio_.tls(), "--token-file", token,
                    "--fingerprint", Fingerprint(), "--slots", "2"},
                   studio_.file("worker.log"));
  }
  void Connect(const Person& person, const std::string& token) const {
    const Finished f = person({"connect", studio_.tls(), "--fingerprint", Fingerprint(), "--token-file", token});
    EXPECT_EQ(f.exit_code, 0) << f.err;
  }

  Studio studio_{4};
  std::vector<std::string> secrets_;
};

TEST_F(Door, ADayOfAHouseWithThreeMachines) {
  // The daemon's machine.
  const Finished refused = Selvaged({"--listen", "127.0.0.1:0", "--http", "127.0.0.1:0", "--require-tls"});
  EXPECT_EQ(refused.exit_code, 1);
  EXPECT_SAYS(refused.err, "selvaged token add NAME --role administrator");
  const std::string farm = AddToken("farm", "worker"), rhea = AddToken("rhea", "submitter");
  EXPECT_EQ(Selvaged({"token", "add", "rhea", "--role", "viewer"}).exit_code, 1);
  EXPECT_SAYS(Selvaged({"token", "add", "tove", "--role", "queen"}).err, "--role cannot be \"queen\"");
  Start();
  const std::string wall = AddToken("wall", "viewer");  // while it runs

  // A worker's.
  Process worker = StartWorker(farm);

  // The artist's.
  const Person artist(studio_, "rhea");
  const Finished early = artist({"--server", "render01.invalid:7411", "jobs"});
  EXPECT_EQ(early.exit_code, 1);
  EXPECT_SAYS(early.err, "selvage connect render01.invalid:7411");
  const Finished blind = artist({"connect", studio_.tls(), "--token-file", rhea});
  EXPECT_EQ(blind.exit_code, 2) << "nobody can be asked";
  const Finished wrong =
      artist({"connect", studio_.tls(), "--fingerprint", std::string(64, 'a'), "--token-file", rhea});
  EXPECT_EQ(wrong.exit_code, 1);
  EXPECT_SAYS(wrong.err, Fingerprint());
  EXPECT_FALSE(fs::exists(artist.file()));
  Connect(artist, rhea);
  struct stat info {};
  ASSERT_EQ(::stat(artist.file().c_str(), &info), 0);
  EXPECT_EQ(info.st_mode & 0777, 0600u);

  const Finished who = artist({"whoami"});
  EXPECT_SAYS(who.out, "rhea, submitter, until ");
  EXPECT_SAYS(who.out, "at " + studio_.tls() + ", with TLS");
  const std::string stack = studio_.WriteStack("small.stack", SmallStack(4));
  const Finished submitted = artist({"submit", stack, "--watch"});
  EXPECT_EQ(submitted.exit_code, 0) << submitted.err << submitted.out << ReadFile(studio_.file("worker.log"));
  EXPECT_SAYS(artist({"jobs", "--mine"}).out, "rhea");
  EXPECT_EQ(artist({"fetch", "--to", studio_.file("home")}).exit_code, 0);
  EXPECT_TRUE(fs::exists(studio_.file("home/comp/comp.1001.exr")));
  EXPECT_SAYS(artist({"workers"}).out, "@farm");

  // A screen on the wall: it sees, and that is all.
  const Person screen(studio_, "wall");
  Connect(screen, wall);
  EXPECT_SAYS(screen({"jobs"}).out, "rhea");
  const Finished no = screen({"submit", stack});
  EXPECT_EQ(no.exit_code, 7);
  EXPECT_SAYS(no.err, "the role of your token is viewer, and Submit takes submitter or administrator");

  // A worker's token in the wrong hands.
  const Person thief(studio_, "thief");
  Connect(thief, farm);
  const Finished cancel = thief({"cancel", "0123456789"});
  EXPECT_EQ(cancel.exit_code, 7);
  EXPECT_SAYS(cancel.err, "the role of your token is worker");

  // A restart changes nothing; a revocation does.
  EXPECT_EQ(studio_.Stop(), 0);
  const std::string port = studio_.tls();
  Start({"--listen", port});
  EXPECT_EQ(artist({"jobs"}).exit_code, 0);
  Finished back = artist({"workers"});
  for (int i = 0; i < 200 && back.out.find("@farm") == std::string::npos; ++i) back = artist({"workers"});
  EXPECT_SAYS(back.out, "@farm");
  EXPECT_EQ(Selvaged({"token", "revoke", "rhea"}).exit_code, 0);
  Finished revoked = artist({"jobs"});
  for (int i = 0; i < 200 && revoked.exit_code == 0; ++i) revoked = artist({"jobs"});
  EXPECT_EQ(revoked.exit_code, 7);
  EXPECT_SAYS(revoked.err, "the token of rhea was revoked");
  EXPECT_SAYS(Selvaged({"token", "list"}).out, "revoked");
  EXPECT_EQ(Selvaged({"token", "revoke", "farm"}).exit_code, 0);
  EXPECT_EQ(worker.Wait(60), 1);
  EXPECT_SAYS(ReadFile(studio_.file("worker.log")), "revoked");

  for (const std::string& secret : secrets_) {
    for (const char* file : {"daemon.log", "worker.log", "state/tokens"}) {
      EXPECT_EQ(ReadFile(studio_.file(file)).find(secret), std::string::npos) << file;
    }
  }
}

TEST_F(Door, ACertificateThatChangedIsSaidAndNothingIsSentToIt) {
  const std::string rhea = AddToken("rhea", "submitter");
  Start();
  const Person artist(studio_, "rhea");
  Connect(artist, rhea);
  const std::string address = studio_.tls();
  EXPECT_EQ(studio_.Stop(), 0);
  const Finished away = artist({"jobs"});
  EXPECT_EQ(away.exit_code, 3) << away.err;
  fs::remove_all(studio_.file("state/tls"));
  Start({"--listen", address});
  const Finished changed = artist({"jobs"});
  EXPECT_EQ(changed.exit_code, 1) << changed.err;
  EXPECT_SAYS(changed.err, "shows another certificate than the one that is trusted");
  EXPECT_SAYS(changed.err, Fingerprint());
}

TEST_F(Door, CertificatesOfTheHouseAreTrustedByTheirAuthority) {
  const std::string rhea = AddToken("rhea", "submitter"), house = studio_.file("house");
  const std::string script = std::string(SELVAGE_SOURCE_DIR) + "/deploy/tls";
  ASSERT_EQ(RunProcess({script, "authority", house}).exit_code, 0);
  ASSERT_EQ(RunProcess({script, "daemon", house, "localhost", "127.0.0.1"}).exit_code, 0);
  Start({"--tls-cert", house + "/daemon.pem", "--tls-key", house + "/daemon.key"});
  const Person artist(studio_, "rhea");
  const Finished f = artist({"connect", studio_.tls(), "--authority", house + "/authority.pem", "--token-file", rhea});
  EXPECT_EQ(f.exit_code, 0) << f.err;
  EXPECT_EQ(artist({"jobs"}).exit_code, 0);
  // A renewed one changes nothing for anybody.
  ASSERT_EQ(RunProcess({script, "daemon", house, "127.0.0.1"}).exit_code, 0);
  for (int i = 0; i < 400 && ReadFile(studio_.log()).find("a new certificate") == std::string::npos; ++i) SleepMs(50);
  EXPECT_SAYS(ReadFile(studio_.log()), "a new certificate");
  EXPECT_EQ(artist({"jobs"}).exit_code, 0);
}

}  // namespace
}  // namespace selvage::e2e
