// The small parts: epochs, roots, addresses, sizes, the status server.
#include <arpa/inet.h>
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <filesystem>
#include <fstream>
#include <random>

#include "proto/address.h"
#include "proto/size.h"
#include "server/engine/epochs.h"
#include "server/http/metrics.h"
#include "server/http/status_server.h"
#include "server/startup.h"
#include "server/engine/find_files.h"
#include "server/engine/roots.h"

namespace selvage {
namespace {

InvalidateRequest What(const std::string& pass, int first = 0, int last = -1) {
  InvalidateRequest r;
  r.set_stack_name("s");
  r.set_pass(pass);
  if (last >= first) {
    r.mutable_frames()->set_first(first);
    r.mutable_frames()->set_last(last);
  }
  return r;
}

TEST(Epochs, NewestInvalidationThatCoversPassAndFrameCounts) {
  Epochs e;
  EXPECT_EQ(e.Of("s").Of("a", 1).own, 0u);
  e.Add(What("a", 5, 9), 10);
  e.Add(What(""), 7);
  EXPECT_EQ(e.Of("s").Of("a", 5).own, 10u);
  EXPECT_EQ(e.Of("s").Of("a", 9).own, 10u);
  EXPECT_EQ(e.Of("s").Of("a", 10).own, 7u);
  EXPECT_EQ(e.Of("s").Of("b", 5).own, 7u);
  EXPECT_EQ(e.Of("other").Of("a", 5).own, 0u);
  EXPECT_EQ(e.Newest("s"), 10u);
}

// Against a list of all that was ever invalidated.
TEST(Epochs, RandomInvalidationsAreThoseOfAListAlsoAfterSaving) {
  std::mt19937 random(1);
  const auto below = [&](int n) { return static_cast<int>(random() % static_cast<unsigned>(n)); };
  for (int round = 0; round < 50; ++round) {
    StackEpochs epochs;
    std::vector<std::pair<InvalidateRequest, uint64_t>> list;
    for (uint64_t sequence = 1; sequence <= 60; ++sequence) {
      InvalidateRequest what = What(std::array{"", "a", "b"}[static_cast<size_t>(below(3))]);
      if (below(6) > 0) {
        what.mutable_frames()->set_first(below(30) - 10);
        what.mutable_frames()->set_last(what.frames().first() + below(8));
      }
      what.set_with_dependents(below(2) == 0);
      list.emplace_back(what, sequence);
    }
    std::shuffle(list.begin(), list.end(), random);
    for (const auto& [what, sequence] : list) epochs.Add(what, sequence);
    const StackEpochs loaded = StackEpochs::Load(epochs.Save());
    for (const std::string pass : {"a", "b", "c"}) {
      for (int32_t frame : {INT32_MIN, -11, -10, -5, 0, 3, 7, 19, 27, 28, INT32_MAX}) {
        plan::Epoch expected;
        for (const auto& [what, sequence] : list) {
          if (!what.pass().empty() && what.pass() != pass) continue;
          if (what.has_frames() && (frame < what.frames().first() || frame > what.frames().last())) continue;
          expected.own = std::max(expected.own, sequence);
          if (what.with_dependents()) expected.with_below = std::max(expected.with_below, sequence);
        }
        for (const StackEpochs* e : {&std::as_const(epochs), &loaded}) {
          EXPECT_EQ(e->Of(pass, frame).own, expected.own) << pass << " " << frame;
          EXPECT_EQ(e->Of(pass, frame).with_below, expected.with_below) << pass << " " << frame;
        }
      }
    }
    EXPECT_EQ(loaded.newest(), 60u);
  }
}

TEST(Epochs, FiveThousandInvalidationsOfAPassAreOne) {
  Epochs e;
  for (uint64_t i = 1; i <= 5000; ++i) e.Add(What("a"), i);
  const Epochs::Changes changes = e.TakeChanges();
  ASSERT_EQ(changes.values.size(), 1u);
  EXPECT_LT(changes.values[0].second.size(), 100u);
  EXPECT_EQ(changes.journal_done.size(), 5000u);
  EXPECT_EQ(e.Of("s").Of("a", 3).own, 5000u);
  EXPECT_TRUE(e.TakeChanges().values.empty());
}

TEST(Epochs, OfMoreStacksThanAreToldApartNoneIsLost) {
  Epochs e(3);
  for (uint64_t i = 1; i <= 5; ++i) {
    InvalidateRequest what = What("a");
    what.set_stack_name("s" + std::to_string(i));
    e.Add(what, i);
  }
  EXPECT_EQ(e.Of("s5").Of("a", 1).own, 5u);
  EXPECT_GE(e.Of("s1").Of("a", 1).own, 1u);
  EXPECT_GE(e.Of("s2").Of("a", 1).own, 2u);
  EXPECT_LT(e.Of("s3").Of("b", 1).own, 5u);
  const Epochs::Changes changes = e.TakeChanges();
  const auto empty =
      std::count_if(changes.values.begin(), changes.values.end(), [](const auto& v) { return v.second.empty(); });
  EXPECT_EQ(empty, 2) << "rows of those go";
  EXPECT_EQ(changes.values.back().first, "epochs-floor");
}

TEST(Epochs, ASickWorkersResultsAreOneRowHoweverOftenTheyAreDisowned) {
  Epochs e;
  InvalidateRequest what;
  what.set_worker("sick");
  what.set_by("jo");
  for (int i = 0; i < 100; ++i) what.mutable_disowned()->append(Sha256(std::to_string(i)).str());
  for (uint64_t i = 1; i <= 50; ++i) {
    what.set_since_unix_ms(1000 - static_cast<int64_t>(i));
    what.set_at_unix_ms(1000 + static_cast<int64_t>(i));
    e.Add(what, i);
  }
  const Epochs::Changes changes = e.TakeChanges();
  ASSERT_EQ(changes.values.size(), 1u);
  EXPECT_LT(changes.values[0].second.size(), 100 * 32 + 100u);
  DisownedRow row;
  ASSERT_TRUE(row.ParseFromString(changes.values[0].second));
  Epochs loaded;
  loaded.LoadDisowned("sick", row);
  EXPECT_EQ(loaded.Of("any").OfKey({Sha256("7")}).own, 50u);
  EXPECT_EQ(loaded.Of("any").OfKey({Sha256("other")}).own, 0u);
  EXPECT_TRUE(loaded.disowned().Distrusts("sick:12", 1050));
  EXPECT_FALSE(loaded.disowned().Distrusts("sick:12", 1051));
  EXPECT_EQ(loaded.Of("any").InWords(50, 2000).find("invalidated with what sick made by jo"), 0u);
}

class RootsTest : public ::testing::Test {
 protected:
  RootsTest() {
    std::string pattern = (std::filesystem::temp_directory_path() / "selvage-roots-XXXXXX").string();
    folder_ = mkdtemp(pattern.data());
    std::filesystem::create_directories(folder_ / "in/deep");
    std::filesystem::create_directories(folder_ / "inside_out");
    for (const char* name : {"in/a", "in/deep/b", "inside_out/secret"}) std::ofstream(folder_ / name) << "12345";
  }
  ~RootsTest() override { std::filesystem::remove_all(folder_); }
  std::string file(const std::string& name) { return (folder_ / name).string(); }
  std::filesystem::path folder_;
};

TEST_F(RootsTest, FilesBelowARootAreSeen) {
  const auto roots = Roots::Open({file("in")});
  ASSERT_TRUE(roots.ok());
  EXPECT_EQ(roots->Stat(file("in/a"))->size, 5u);
  EXPECT_TRUE(roots->Stat(file("in/deep/b")).ok());
  EXPECT_TRUE(absl::IsNotFound(roots->Stat(file("in/none")).status()));
  EXPECT_TRUE(absl::IsNotFound(roots->Stat(file("in/deep")).status())) << "a folder is no file";
}

TEST_F(RootsTest, EverythingElseIsRefusedWhetherItExistsOrNot) {
  const auto roots = Roots::Open({file("in")});
  std::filesystem::create_symlink(file("inside_out/secret"), file("in/link"));
  std::filesystem::create_symlink(file("inside_out"), file("in/folder_link"));
  for (const std::string& path :
       {file("inside_out/secret"), file("in/../inside_out/secret"), file("in/link"), file("in/folder_link/secret"),
        file("in/folder_link/none"), std::string("/etc/none"), std::string("in/a"), std::string("")}) {
    EXPECT_TRUE(absl::IsPermissionDenied(roots->Stat(path).status())) << path;
  }
  EXPECT_FALSE(Roots::Open({file("nowhere")}).ok());
}

TEST(Facts, FileThatChangedAMomentAgoIsNotTrusted) {
  PlateFacts f;
  f.set_mtime_ns(1'000'000'123'000'000);
  EXPECT_FALSE(WorthRemembering(f, f.mtime_ns() + 10'000'000));
  EXPECT_TRUE(WorthRemembering(f, f.mtime_ns() + 100'000'000));
  // Whole seconds: a file system that knows no finer.
  f.set_mtime_ns(1'000'000'000'000'000);
  EXPECT_FALSE(WorthRemembering(f, f.mtime_ns() + 1'500'000'000));
  EXPECT_TRUE(WorthRemembering(f, f.mtime_ns() + 2'500'000'000));
}

TEST(Address, OnlyLoopbackIsTaken) {
  for (const char* good : {"127.0.0.1:7311", "localhost:0", "[::1]:80", "127.5.6.7:1"}) {
    EXPECT_TRUE(ParseLoopback(good).ok()) << good;
  }
  for (const char* bad : {"0.0.0.0:7311", "192.168.1.2:1", "[::]:1", "example.org:1", "127.0.0.1", "127.0.0.1:x",
                          "127.0.0.1:70000", "127.0.0.1.example.org:1", ":1", ""}) {
    EXPECT_FALSE(ParseLoopback(bad).ok()) << bad;
  }
  EXPECT_EQ(ParseLoopback("[::1]:80")->Text(), "[::1]:80");
}

TEST(Address, NamesAndAddressesOfOtherMachines) {
  EXPECT_EQ(ParseAddress("render01.house:7411")->host, "render01.house");
  EXPECT_EQ(ParseAddress("[2001:db8::1]:7411")->Text(), "[2001:db8::1]:7411");
  EXPECT_FALSE(ParseAddress("0.0.0.0:7411")->loopback());
  EXPECT_TRUE(ParseAddress("127.9.9.9:7411")->loopback());
  for (const char* bad : {"render01", "[render01]:1", "2001:db8::1:7411", "a b:1", "a/b:1", "user@host:1", ":1"}) {
    EXPECT_FALSE(ParseAddress(bad).ok()) << bad;
  }
}

TEST(Size, LettersArePowersOf1024) {
  EXPECT_EQ(*ParseSize("20G"), 20ull << 30);
  EXPECT_EQ(*ParseSize("1.5k"), 1536u);
  EXPECT_EQ(*ParseSize("123"), 123u);
  for (const char* bad : {"", "G", "-1G", "0", "20GB", "nan", "1e99", "20 X"}) EXPECT_FALSE(ParseSize(bad).ok()) << bad;
}

std::string Http(int port, const std::string& request) {
  const int s = ::socket(AF_INET, SOCK_STREAM, 0);
  sockaddr_in a{};
  a.sin_family = AF_INET;
  a.sin_port = htons(static_cast<uint16_t>(port));
  a.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  EXPECT_EQ(::connect(s, reinterpret_cast<sockaddr*>(&a), sizeof a), 0);
  EXPECT_EQ(::write(s, request.data(), request.size()), static_cast<ssize_t>(request.size()));
  std::string answer;
  char buffer[4096];
  for (ssize_t n; (n = ::read(s, buffer, sizeof buffer)) > 0;) answer.append(buffer, static_cast<size_t>(n));
  ::close(s);
  return answer;
}

std::string Get(int port, const std::string& target) {
  return Http(port, "GET " + target + " HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n");
}

TEST(StatusServer, AnswersHealthAndMetricsAndNothingElse) {
  StatusServer server([](std::function<void(std::string)> then) {
    EngineStats stats;
    stats.rendered = 42;
    then(MetricsPage(stats, {.state = "/", .started_unix_s = 1}));
  });
  const auto port = server.Start(*ParseLoopback("127.0.0.1:0"));
  ASSERT_TRUE(port.ok()) << port.status();
  EXPECT_NE(Get(*port, "/healthz").find("200 OK"), std::string::npos);
  const std::string metrics = Get(*port, "/metrics");
  EXPECT_NE(metrics.find("selvage_results_rendered_total 42\n"), std::string::npos) << metrics;
  EXPECT_NE(metrics.find("selvage_tasks{state=\"leased\"} 0\n"), std::string::npos) << metrics;
  EXPECT_NE(Get(*port, "/../etc/passwd").find("404"), std::string::npos);
  EXPECT_NE(Http(*port, "POST /metrics HTTP/1.1\r\nContent-Length: 0\r\nConnection: close\r\n\r\n").find("405"),
            std::string::npos);
  EXPECT_EQ(Http(*port, "nonsense\r\n\r\n").find("200"), std::string::npos);
  server.StopServing();
  EXPECT_NE(Get(*port, "/healthz").find("503"), std::string::npos);
}

TEST(Startup, AHungShutdownIsNoSuccess) {
  EXPECT_EXIT(
      {
        LeaveAfter(0.05);
        ::sleep(30);
      },
      ::testing::ExitedWithCode(1), "");
}

TEST(Metrics, ResidentMemoryIsKnown) { EXPECT_GT(ResidentBytes(), 1u << 20); }

}  // namespace
}  // namespace selvage
