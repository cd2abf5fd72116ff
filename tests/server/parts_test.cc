// The small parts: epochs, roots, addresses, sizes, the status server.
#include <arpa/inet.h>
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "proto/address.h"
#include "proto/size.h"
#include "server/epochs.h"
#include "server/http/metrics.h"
#include "server/http/status_server.h"
#include "server/planning.h"
#include "server/roots.h"

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
  EXPECT_EQ(e.Of("s", "a", 1).own, 0u);
  e.Add(What("a", 5, 9), 10);
  e.Add(What(""), 7);
  EXPECT_EQ(e.Of("s", "a", 5).own, 10u);
  EXPECT_EQ(e.Of("s", "a", 9).own, 10u);
  EXPECT_EQ(e.Of("s", "a", 10).own, 7u);
  EXPECT_EQ(e.Of("s", "b", 5).own, 7u);
  EXPECT_EQ(e.Of("other", "a", 5).own, 0u);
  EXPECT_EQ(e.Newest("s"), 10u);
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
  EXPECT_EQ(roots->Look(file("in/a"))->size, 5u);
  EXPECT_TRUE(roots->Look(file("in/deep/b")).ok());
  EXPECT_TRUE(absl::IsNotFound(roots->Look(file("in/none")).status()));
  EXPECT_TRUE(absl::IsNotFound(roots->Look(file("in/deep")).status())) << "a folder is no file";
}

TEST_F(RootsTest, EverythingElseIsRefusedWhetherItExistsOrNot) {
  const auto roots = Roots::Open({file("in")});
  std::filesystem::create_symlink(file("inside_out/secret"), file("in/link"));
  std::filesystem::create_symlink(file("inside_out"), file("in/folder_link"));
  for (const std::string& path :
       {file("inside_out/secret"), file("in/../inside_out/secret"), file("in/link"), file("in/folder_link/secret"),
        file("in/folder_link/none"), std::string("/etc/none"), std::string("in/a"), std::string("")}) {
    EXPECT_TRUE(absl::IsPermissionDenied(roots->Look(path).status())) << path;
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
    then(MetricsPage(stats));
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

TEST(Metrics, ResidentMemoryIsKnown) { EXPECT_GT(ResidentBytes(), 1u << 20); }

}  // namespace
}  // namespace selvage
