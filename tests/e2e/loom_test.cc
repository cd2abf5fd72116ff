// `selvage loom` as its page sees it: a real loom between a stack file and a real daemon.
#include <arpa/inet.h>
#include <gmock/gmock.h>
#include <sys/socket.h>
#include <unistd.h>

#include <csignal>
#include <thread>

#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

using ::testing::HasSubstr;

struct Answer {
  int status = 0;
  std::string headers, body;
};

// What stands behind `"name":` in JSON, up to the end of a text or number.
std::string Member(const std::string& json, const std::string& name) {
  const std::string key = absl::StrCat("\"", name, "\":");
  size_t at = json.find(key);
  if (at == std::string::npos) return "";
  at += key.size();
  if (json[at] == '"') return json.substr(at + 1, json.find('"', at + 1) - at - 1);
  return json.substr(at, json.find_first_of(",}]", at) - at);
}

class Loom {
 public:
  Loom(const Studio& studio, std::vector<std::string> arguments) : log_(studio.file("loom.log")) {
    std::remove(log_.c_str());
    std::vector<std::string> command = {SELVAGE_BINARY_DIR "/client/selvage", "--server", studio.server(), "loom",
                                        "--no-open"};
    command.insert(command.end(), arguments.begin(), arguments.end());
    process_ = Process(command, log_);
    for (int i = 0; i < 600 && key_.empty(); ++i) {
      const std::string said = ReadFile(log_);
      const size_t at = said.find("http://127.0.0.1:"), end = said.find('\n', at);
      if (at == std::string::npos || end == std::string::npos) {
        SleepMs(50);
        continue;
      }
      const std::string address = said.substr(at + 17, end - at - 17);
      EXPECT_TRUE(absl::SimpleAtoi(address.substr(0, address.find('/')), &port_));
      key_ = address.substr(address.find("key=") + 4);
    }
    EXPECT_FALSE(key_.empty()) << ReadFile(log_);
  }

  Process& process() { return process_; }

  Answer Get(const std::string& path) { return Ask("GET", path, ""); }
  Answer Post(const std::string& path, const std::string& body) { return Ask("POST", path, body); }

  // Until the answer holds this text.
  Answer GetUntil(const std::string& path, const std::string& text) {
    Answer answer;
    for (int i = 0; i < 1200; ++i) {
      answer = Get(path);
      if (absl::StrContains(answer.body, text)) return answer;
      SleepMs(50);
    }
    ADD_FAILURE() << path << " never said " << text << ": " << answer.body.substr(0, 2000);
    return answer;
  }

  // Events up to one that holds this text.
  std::string EventsUntil(const std::string& text) {
    const int fd = Send("GET", "/api/events", "");
    std::string got;
    char piece[4096];
    while (!absl::StrContains(got, text)) {
      const ssize_t n = ::recv(fd, piece, sizeof piece, 0);
      if (n <= 0) break;
      got.append(piece, static_cast<size_t>(n));
    }
    ::close(fd);
    return got;
  }

 private:
  int Send(const std::string& method, const std::string& path, const std::string& body) {
    const int fd = ::socket(AF_INET, SOCK_STREAM, 0);
    sockaddr_in to{};
    to.sin_family = AF_INET;
    to.sin_port = htons(static_cast<uint16_t>(port_));
    to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (::connect(fd, reinterpret_cast<sockaddr*>(&to), sizeof to) != 0) return fd;
    const timeval patience{120, 0};
    ::setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
    const std::string host = absl::StrCat("127.0.0.1:", port_);
    std::string request = absl::StrCat(method, " ", path, " HTTP/1.1\r\nHost: ", host,
                                       "\r\nConnection: close\r\nCookie: loom_", port_, "=", key_, "\r\n");
    if (method == "POST") {
      absl::StrAppend(&request, "Origin: http://", host,
                      "\r\nContent-Type: application/json\r\nContent-Length: ", body.size(), "\r\n");
    }
    absl::StrAppend(&request, "\r\n", body);
    (void)::send(fd, request.data(), request.size(), MSG_NOSIGNAL);
    return fd;
  }

  Answer Ask(const std::string& method, const std::string& path, const std::string& body) {
    const int fd = Send(method, path, body);
    std::string got;
    char piece[65536];
    for (ssize_t n; (n = ::recv(fd, piece, sizeof piece, 0)) > 0;) got.append(piece, static_cast<size_t>(n));
    ::close(fd);
    Answer answer;
    const size_t end = got.find("\r\n\r\n");
    if (end == std::string::npos) return answer;
    answer.headers = got.substr(0, end);
    answer.body = got.substr(end + 4);
    EXPECT_TRUE(absl::SimpleAtoi(got.substr(9, 3), &answer.status));
    return answer;
  }

  std::string log_, key_;
  int port_ = 0;
  Process process_;
};

TEST(LoomE2e, FromTheFirstLookToTheFilesOnDisk) {
  Studio studio;
  studio.Start();
  const std::string stack = studio.WriteStack("small.stack", SmallStack(6));
  Loom loom(studio, {stack});
  EXPECT_EQ(loom.Get("/api/session").status, 200);
  const Answer shown = loom.Get("/api/stack");
  EXPECT_EQ(shown.status, 200);
  EXPECT_THAT(shown.body, HasSubstr("\"state\":\"good\""));

  // The same bytes as `selvage look`.
  const std::string png = studio.file("look.png");
  ASSERT_EQ(studio.Client({"look", stack, "core", "--frame", "1002", "--as", "matte", "-o", png}).exit_code, 0);
  const Answer look = loom.Get("/api/look?pass=core&frame=1002&as=matte");
  EXPECT_EQ(look.status, 200);
  EXPECT_THAT(look.headers, HasSubstr("image/png"));
  EXPECT_TRUE(look.body == ReadFile(png));
  EXPECT_EQ(loom.Get("/api/look?pass=core&frame=1002&as=grey").status, 200);
  EXPECT_EQ(loom.Get("/api/look?pass=core&frame=1002&as=mate").status, 422);
  const Answer unknown = loom.Get("/api/look?pass=kee&frame=1002");
  EXPECT_EQ(unknown.status, 422);
  EXPECT_THAT(unknown.body, HasSubstr("kee"));

  // What is tried is not written; what is set is, and looks as it did when tried.
  const std::string before = ReadFile(stack);
  const Answer tried =
      loom.Get("/api/look?pass=core&frame=1002&as=matte&set=pass%5B1%5D.step%5B1%5D.levels.black=0.25");
  EXPECT_EQ(tried.status, 200) << tried.body;
  EXPECT_TRUE(loom.Get("/api/look?pass=core&frame=1002&as=matte&set=core.levels.black=0.25").body == tried.body);
  EXPECT_FALSE(tried.body == look.body);
  EXPECT_EQ(ReadFile(stack), before);
  const Answer without = loom.Get("/api/look?pass=core&frame=1002&as=matte&without=pass%5B1%5D.step%5B2%5D");
  EXPECT_FALSE(without.body == look.body);
  const Answer edited = loom.Post(
      "/api/edit", absl::StrCat(R"({"digest":")", Member(shown.body, "digest"),
                                R"(","edits":[{"kind":"set","path":"pass[1].step[1].levels.black","value":0.25}]})"));
  EXPECT_EQ(edited.status, 200) << edited.body;
  EXPECT_NE(ReadFile(stack), before);
  EXPECT_TRUE(loom.Get("/api/look?pass=core&frame=1002&as=matte").body == tried.body);
  EXPECT_THAT(loom.Post("/api/edit", absl::StrCat(R"({"digest":")", Member(shown.body, "digest"),
                                                  R"(","edits":[{"kind":"set","path":"note","value":"late"}]})"))
                  .body,
              HasSubstr("changed meanwhile"));

  // A fault that only the daemon sees comes with its place.
  const Answer faulty =
      loom.Post("/api/edit", absl::StrCat(R"({"digest":")", Member(edited.body, "digest"),
                                          R"(","edits":[{"kind":"set","path":"pass[1].from","value":"nothing"}]})"));
  EXPECT_EQ(faulty.status, 200);
  EXPECT_THAT(loom.GetUntil("/api/stack", "\"checked\":true").body, HasSubstr("nothing\\\""));
  EXPECT_EQ(loom.Post("/api/submit", "{}").status, 422);
  const Answer undone = loom.Post("/api/undo", absl::StrCat(R"({"digest":")", Member(faulty.body, "digest"), "\"}"));
  EXPECT_EQ(undone.status, 200) << undone.body;

  const Answer submitted = loom.Post("/api/submit", "{}");
  ASSERT_EQ(submitted.status, 200) << submitted.body;
  const std::string job = Member(submitted.body, "job");
  EXPECT_THAT(loom.EventsUntil("\"state\":\"done\""), HasSubstr(job));
  EXPECT_THAT(loom.Get("/api/job?id=" + job).body, HasSubstr("\"state\":\"done\""));
  EXPECT_THAT(loom.Get("/api/cached?pass=core").body, HasSubstr("\"first\":1001,\"last\":1006,\"held\":true"));
  for (const char* path : {"/api/plan", "/api/jobs", "/api/workers", "/api/cache", "/api/language",
                           "/api/manual/levels", "/api/curves?mask=lower&frame=1002"}) {
    EXPECT_EQ(loom.Get(path).status, 200) << path;
  }
  const Answer report = loom.Post("/api/report", R"({"passes":["core"]})");
  ASSERT_EQ(report.status, 200) << report.body;
  EXPECT_THAT(loom.GetUntil("/api/report?id=" + Member(report.body, "id"), "\"state\":\"done\"").body,
              HasSubstr("\"figures\""));
  const Answer fetch = loom.Post("/api/fetch", "{}");
  ASSERT_EQ(fetch.status, 200) << fetch.body;
  EXPECT_THAT(loom.GetUntil("/api/fetch?id=" + Member(fetch.body, "id"), "\"state\":\"done\"").body,
              HasSubstr("\"written\""));
  EXPECT_THAT(loom.Get("/api/deliverables").body, HasSubstr("\"there\":6,\"missing\":0"));

  loom.process().Signal(SIGINT);
  EXPECT_EQ(loom.process().Wait(10), 0);
}

TEST(LoomE2e, ADaemonThatIsGoneIsSaidAndFoundAgain) {
  Studio studio;
  studio.Start();
  const std::string stack = studio.WriteStack("small.stack", SmallStack(6));
  Loom loom(studio, {stack});
  loom.GetUntil("/api/stack", "\"checked\":true");
  studio.KillDaemon();
  const Answer look = loom.Get("/api/look?pass=core&frame=1001");
  EXPECT_EQ(look.status, 503);
  EXPECT_THAT(look.body, HasSubstr("no answer from the daemon"));
  EXPECT_THAT(loom.EventsUntil("\"away\""), HasSubstr("event: daemon"));
  // The stack is still there to be worked on.
  const std::string digest = Member(loom.Get("/api/stack").body, "digest");
  EXPECT_EQ(loom.Post("/api/edit", absl::StrCat(R"({"digest":")", digest,
                                                R"(","edits":[{"kind":"set","path":"note","value":"alone"}]})"))
                .status,
            200);
  EXPECT_THAT(ReadFile(stack), HasSubstr("note: \"alone\""));
}

TEST(LoomE2e, TheNewestLookOfAViewerWins) {
  Studio studio(6, 1200, 800);
  studio.Start({.local_workers = 1});
  const std::string stack = studio.WriteStack("small.stack", SmallStack(6));
  Loom loom(studio, {stack});
  loom.GetUntil("/api/stack", "\"checked\":true");
  std::vector<Answer> answers(4);
  std::vector<std::thread> threads;
  for (size_t i = 0; i < answers.size(); ++i) {
    threads.emplace_back([&, i] {
      answers[i] = loom.Get(absl::StrCat("/api/look?pass=core&frame=1001&viewer=one&set=core.levels.black=0.0", i + 1));
    });
    SleepMs(20);
  }
  for (std::thread& t : threads) t.join();
  int shown = 0;
  for (const Answer& a : answers) {
    EXPECT_TRUE(a.status == 200 || a.status == 409) << a.status << " " << a.body.substr(0, 300);
    shown += a.status == 200;
  }
  EXPECT_GE(shown, 1);
}

TEST(LoomE2e, ASubmittedStackIsReadOnlyAndTheFarmNeedsNone) {
  Studio studio;
  studio.Start();
  studio.Submit(studio.WriteStack("small.stack", SmallStack(6)));
  {
    Loom loom(studio, {"--job", "last"});
    const Answer shown = loom.Get("/api/stack");
    EXPECT_THAT(shown.body, HasSubstr("\"read_only\":true"));
    EXPECT_EQ(loom.Get("/api/look?pass=core&frame=1001").status, 200);
    EXPECT_EQ(loom.Post("/api/edit", absl::StrCat(R"({"digest":")", Member(shown.body, "digest"),
                                                  R"(","edits":[{"kind":"set","path":"note","value":"x"}]})"))
                  .status,
              423);
    // What it only shows, it does not hand in.
    const Answer submitted = loom.Post("/api/submit", "{}");
    EXPECT_EQ(submitted.status, 423);
    EXPECT_THAT(submitted.body, HasSubstr("only shows a job"));
    EXPECT_EQ(loom.Post("/api/invalidate", R"({"pass":"core"})").status, 423);
    EXPECT_EQ(loom.Post("/api/open", R"({"path":"x.stack"})").status, 423);
  }
  Loom farm(studio, {});
  EXPECT_THAT(farm.Get("/api/session").body, HasSubstr("\"mode\":\"farm\""));
  EXPECT_THAT(farm.Get("/api/stack").body, HasSubstr("\"state\":\"none\""));
  EXPECT_THAT(farm.Get("/api/jobs").body, HasSubstr("\"stack_name\":\"small\""));
  EXPECT_EQ(farm.Get("/api/plan").status, 422);

  // A stack that is opened is what the loom is open on from then on, and no other is.
  EXPECT_EQ(farm.Post("/api/open", R"({"path":"/missing.stack"})").status, 422);
  EXPECT_THAT(farm.Get("/api/files?sort=stacks&path=" + studio.file("")).body, HasSubstr("small.stack"));
  EXPECT_EQ(farm.Get("/api/files?sort=everything").status, 400);
  EXPECT_EQ(farm.Post("/api/open", absl::StrCat(R"({"path":")", studio.file("small.stack"), R"("})")).status, 200);
  EXPECT_THAT(farm.Get("/api/session").body, HasSubstr("\"mode\":\"stack\""));
  EXPECT_EQ(farm.Get("/api/look?pass=core&frame=1001").status, 200);
  EXPECT_EQ(farm.Post("/api/new", R"({"plate":"a.%04d.exr","stack":"b.stack"})").status, 423);
}

}  // namespace
}  // namespace selvage::e2e
