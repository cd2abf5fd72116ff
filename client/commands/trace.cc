// `selvage trace`: where the time of a job went.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "client/trace/trace_events.h"
#include "client/trace/where_time_went.h"
#include "client/write_file.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// More than a daemon keeps.
constexpr size_t kMostTraced = 1'000'000;

std::string ShareText(double part, double whole) { return absl::StrFormat("%.1f", whole > 0 ? 100 * part / whole : 0); }

struct JobTimes {
  std::vector<TracedTask> tasks;
  uint64_t left_out = 0;
};

absl::StatusOr<JobTimes> ReceiveTimes(Connection& connection, const std::string& job) {
  TraceRequest request;
  request.set_job_id(job);
  const auto context = connection.Stream();
  const auto stream = connection.jobs().Trace(context.get(), request);
  JobTimes times;
  for (TraceReply reply; stream->Read(&reply);) {
    times.left_out += reply.left_out();
    for (TracedTask& task : *reply.mutable_task()) {
      absl::Status good = CheckTask(task);
      if (good.ok() && times.tasks.size() >= kMostTraced) {
        good = absl::DataLossError(absl::StrCat("the daemon sent the times of more than ", kMostTraced, " tasks"));
      }
      if (!good.ok()) {
        context->TryCancel();
        (void)stream->Finish();
        return good;
      }
      times.tasks.push_back(std::move(task));
    }
  }
  RETURN_IF_ERROR(connection.Explain(stream->Finish()));
  return times;
}

class Trace final : public Command {
 public:
  CommandHelp help() const override {
    return {"trace", Group::kResult, "Show where the time of a job went, as a table and as a timeline",
            "The table sums up all tasks of the job, the largest first:\n"
            "  an operator    running the step of that name\n"
            "  fetch tiles    reading results from the daemon; decode plate: reading a plate's file\n"
            "  gather inputs  making pictures of tiles that are in memory; draw masks: drawing shapes\n"
            "  hash tiles     rounding results to what is stored, and finding their digests\n"
            "  encode tiles, store tiles, commit\n"
            "                 compressing and sending results, until they are durable. No slot waits for these\n"
            "  lease          from the lease on to the work: looking up what a task reads, and the way there and\n"
            "                 back\n"
            "  other          the rest of a task\n"
            "MB is what was read, made or sent. The line below says how long slots had nothing to do: at the end of a\n"
            "job, and where tasks wait for one that all of them read.\n"
            "-o writes the timeline as Trace Event JSON. Open it at ui.perfetto.dev (it stays on your machine) or in\n"
            "Chromium at chrome://tracing. Each worker is a process there. It has a lane for each of its slots, with\n"
            "one task behind another, as in `core 1012`, and below each task what its time went into: all pieces of\n"
            "one thing together, since tiles are rendered one by one. The lanes called `sends` are results on\n"
            "their way to the daemon.\n"
            "The daemon keeps the times of its newest 20 jobs in memory, of 200,000 tasks, until it ends.\n"
            "  selvage trace last -o apiary_010.trace.json"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("JOB", job_, "Job id, or `last`: your newest one")->capture_default_str();
    app->add_option(
           "--output,-o", output_,
           "Write the timeline to this file. One that is there and was not written by this command is left alone")
        ->type_name("FILE");
  }

  absl::Status Run(const Globals& globals) override {
    RETURN_IF_ERROR(CheckOutput());
    Connection connection(globals);
    ASSIGN_OR_RETURN(const std::string job, ResolveJob(connection, job_));
    ASSIGN_OR_RETURN(const JobTimes times, ReceiveTimes(connection, job));
    const Timeline timeline = Place(times.tasks);
    const WhereTimeWent sum = SumUp(timeline);
    if (!output_.empty()) RETURN_IF_ERROR(WriteFileAtomically(output_, TraceEvents(job, timeline)));
    if (globals.json) {
      std::fputs(JsonOfTimes(job, times, timeline, sum).c_str(), stdout);
    } else {
      PrintTimes(times, timeline, sum);
    }
    return absl::OkStatus();
  }

 private:
  absl::Status CheckOutput() const {
    std::error_code error;
    if (output_.empty() || !std::filesystem::exists(std::filesystem::symlink_status(output_, error))) {
      return absl::OkStatus();
    }
    std::ifstream file(output_, std::ios::binary);
    std::string begin(100, '\0');
    begin.resize(static_cast<size_t>(file.read(begin.data(), 100).gcount()));
    if (IsTraceOfOurs(begin)) return absl::OkStatus();
    return absl::AlreadyExistsError(
        absl::StrCat(output_, " is there and is no timeline of this command; name another file"));
  }

  void PrintTimes(const JobTimes& times, const Timeline& timeline, const WhereTimeWent& sum) const {
    if (times.tasks.empty()) {
      std::puts("No task of this job was rendered: all of it came from the cache.");
    } else {
      std::vector<std::vector<std::string>> rows;
      for (const TimeSpent& row : sum.rows) {
        rows.push_back({row.what, absl::StrFormat("%.2f", row.seconds), ShareText(row.seconds, sum.total),
                        row.bytes > 0 ? absl::StrFormat("%.1f", static_cast<double>(row.bytes) / 1e6) : "-"});
      }
      std::fputs(Table({"what", "seconds", "%", "MB"}, rows).c_str(), stdout);
      std::printf(
          "%d slots had nothing to do for %.2f of %.2f s (%s %%), in the %.2f s from the first lease to the last "
          "result.\n",
          sum.slots, sum.idle_seconds, sum.slot_seconds, ShareText(sum.idle_seconds, sum.slot_seconds).c_str(),
          static_cast<double>(timeline.last - timeline.first) / 1e6);
    }
    if (times.left_out > 0) {
      std::printf("%llu tasks are left out, because the daemon keeps no more or did not see their lease.\n",
                  static_cast<unsigned long long>(times.left_out));
    }
    if (!output_.empty()) std::printf("%s: open it at ui.perfetto.dev or chrome://tracing\n", output_.c_str());
  }

  static std::string JsonOfTimes(const std::string& job, const JobTimes& times, const Timeline& timeline,
                                 const WhereTimeWent& sum) {
    JsonArray rows;
    for (const TimeSpent& row : sum.rows) {
      rows.Add(JsonObject()
                   .Add("what", JsonText(row.what))
                   .Add("seconds", absl::StrFormat("%.6f", row.seconds))
                   .Add("bytes", absl::StrCat(row.bytes))
                   .text());
    }
    return JsonObject()
               .Add("job_id", JsonText(job))
               .Add("tasks", absl::StrCat(times.tasks.size()))
               .Add("left_out", absl::StrCat(times.left_out))
               .Add("where", rows.text())
               .Add("slots", absl::StrCat(sum.slots))
               .Add("slot_seconds", absl::StrFormat("%.6f", sum.slot_seconds))
               .Add("idle_seconds", absl::StrFormat("%.6f", sum.idle_seconds))
               .Add("seconds", absl::StrFormat("%.6f", static_cast<double>(timeline.last - timeline.first) / 1e6))
               .text() +
           "\n";
  }

  std::string job_ = "last";
  std::string output_;
};
REGISTER_COMMAND(Trace);

}  // namespace
}  // namespace selvage::client
