// What the daemon says of itself: /metrics and the log.
#include <gmock/gmock.h>
#include <google/protobuf/struct.pb.h>
#include <google/protobuf/util/json_util.h>
#include <gtest/gtest.h>
#include <spdlog/sinks/ostream_sink.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <fstream>
#include <memory>
#include <sstream>
#include <string>

#include "proto/version.h"
#include "server/http/metrics.h"
#include "server/log.h"
#include "tests/server/daemon.h"
#include "tests/server/fake_worker.h"

namespace selvage {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

EngineStats SomeStats() {
  EngineStats s;
  s.rendered = 1e9;
  s.steps["degrain"] = {.tasks = 3, .seconds = 1.5};
  s.steps["chain"] = {.tasks = 40, .seconds = 0.25};
  s.jobs_ended.done.Add(0.3);
  s.jobs_ended.done.Add(10);
  s.jobs_ended.failed.Add(1e6);
  return s;
}

TEST(Metrics, SayWhatIsSlowHowLongJobsTakeAndWhatRuns) {
  const std::string page = MetricsPage(SomeStats(), {.state = "/", .started_unix_s = 1.5e9});
  EXPECT_THAT(page, HasSubstr(std::string("selvage_build_info{version=\"") + kVersion + "\"} 1\n"));
  EXPECT_THAT(page, HasSubstr("selvage_step_seconds_total{step=\"degrain\"} 1.5\n"));
  EXPECT_THAT(page, HasSubstr("selvage_step_tasks_total{step=\"chain\"} 40\n"));
  EXPECT_THAT(page, HasSubstr("selvage_results_rendered_total 1000000000\n")) << "no digit is lost";
  EXPECT_THAT(page, HasSubstr("selvage_state_free_bytes "));
  EXPECT_THAT(MetricsPage({}, {.state = "/nowhere", .started_unix_s = 1}), Not(HasSubstr("selvage_state_free_bytes")));
}

// Prometheus exposition format 0.0.4: buckets count all that took at most so long, up to +Inf.
TEST(Metrics, AHistogramsBucketsCountWhatTookAtMostSoLong) {
  const std::string page = MetricsPage(SomeStats(), {.state = "/", .started_unix_s = 1});
  EXPECT_THAT(page, HasSubstr("# TYPE selvage_job_seconds histogram\n"));
  for (const char* line : {"_bucket{state=\"done\",le=\"0.1\"} 0\n", "_bucket{state=\"done\",le=\"0.5\"} 1\n",
                           "_bucket{state=\"done\",le=\"10\"} 2\n", "_bucket{state=\"done\",le=\"+Inf\"} 2\n",
                           "_count{state=\"done\"} 2\n", "_sum{state=\"done\"} 10.3\n",
                           "_bucket{state=\"failed\",le=\"86400\"} 0\n", "_bucket{state=\"failed\",le=\"+Inf\"} 1\n"}) {
    EXPECT_THAT(page, HasSubstr(std::string("selvage_job_seconds") + line));
  }
}

// promtool is the checker of the format's own makers (Debian package prometheus).
TEST(Metrics, AreFaultlessToPromtool) {
  if (std::system("command -v promtool >/dev/null") != 0) GTEST_SKIP() << "promtool is not installed";
  const std::string file = ::testing::TempDir() + "/metrics";
  std::ofstream(file) << MetricsPage(SomeStats(), {.state = "/", .started_unix_s = 1});
  EXPECT_EQ(std::system(("promtool check metrics <" + file).c_str()), 0);
}

// The log of this process while it lives.
class CaughtLog {
 public:
  explicit CaughtLog(LogFormat format) : before_(spdlog::default_logger()) {
    spdlog::set_default_logger(
        std::make_shared<spdlog::logger>("", std::make_shared<spdlog::sinks::ostream_sink_mt>(text_)));
    SetLogFormat(format);
  }
  ~CaughtLog() {
    spdlog::set_default_logger(before_);
    SetLogFormat(LogFormat::kText);
  }
  std::string text() const { return text_.str(); }

 private:
  std::ostringstream text_;
  std::shared_ptr<spdlog::logger> before_;
};

// RFC 8259, by a reader that is not ours.
google::protobuf::Struct Read(const std::string& line) {
  google::protobuf::Struct read;
  EXPECT_TRUE(google::protobuf::util::JsonStringToMessage(line, &read).ok()) << line;
  return read;
}

TEST(Log, AnEventIsASentenceForPeople) {
  CaughtLog log(LogFormat::kText);
  LogEvent(spdlog::level::warn, "the disk is full").With("job", "ab12").With("note", "").With("attempt", 2).Write();
  spdlog::info("stopped");
  EXPECT_THAT(log.text(), HasSubstr("] the disk is full (job ab12, attempt 2)\n"));
  EXPECT_THAT(log.text(), HasSubstr("] stopped\n"));
}

TEST(Log, AnEventIsAnObjectForPrograms) {
  CaughtLog log(LogFormat::kJson);
  LogEvent(spdlog::level::warn, "it said \"no\"\\").With("stack", "a\nb\x1e\x1f{}").With("frame", -3).Write();
  const std::string text = log.text();
  const auto line = Read(text);
  EXPECT_EQ(line.fields().at("message").string_value(), "it said \"no\"\\");
  EXPECT_EQ(line.fields().at("level").string_value(), "warning");
  EXPECT_EQ(line.fields().at("stack").string_value(), "a b  {}");
  EXPECT_EQ(line.fields().at("frame").string_value(), "-3");
  EXPECT_THAT(line.fields().at("time").string_value(), ::testing::MatchesRegex("....-..-..T..:..:..\\....Z"));
  EXPECT_EQ(std::count(text.begin(), text.end(), '\n'), 1) << "a line each";
}

TEST(Log, ALineThatIsNoTextIsStillALine) {
  CaughtLog log(LogFormat::kJson);
  LogEvent(spdlog::level::info, "\xff\xfe").Write();
  EXPECT_TRUE(Read(log.text()).fields().count("message"));
}

TEST(Log, AJobsLifeIsThereWithJobAndWorker) {
  CaughtLog log(LogFormat::kJson);
  std::string job;
  {
    Daemon d;
    FakeWorker w(d.Channel(), "node7:311");
    job = d.Submit(d.TwoPasses());
    d.WatchToEnd(job);
  }
  std::istringstream lines(log.text());
  std::string submitted, done, here;
  for (std::string line; std::getline(lines, line);) {
    const auto fields = Read(line).fields();
    const std::string message = fields.at("message").string_value();
    const auto get = [&](const char* name) { return fields.count(name) ? fields.at(name).string_value() : ""; };
    if (message == "a job was submitted") submitted = get("job");
    if (message == "a job is done") done = get("job") + " " + get("failed");
    if (message == "a worker is here") here = get("worker");
  }
  EXPECT_EQ(submitted, job);
  EXPECT_EQ(done, job + " 0");
  EXPECT_EQ(here, "node7:311");
}

}  // namespace
}  // namespace selvage
