// `selvage versions`: submissions of a stack, newest first.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/clock.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "client/versions.h"
#include "proto/proxy.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

std::string VersionsTable(const ListVersionsReply& reply) {
  std::vector<std::vector<std::string>> rows;
  const int64_t now = NowUnixMs();
  for (const StackVersion& v : reply.version()) {
    const bool over = v.state() != JOB_STATE_UNSPECIFIED;
    std::string note = v.proxy() > 1 ? SizeInWords(v.proxy()) : "";
    if (!v.note().empty()) absl::StrAppend(&note, note.empty() ? "" : "  ", v.note());
    if (v.set_size() > 0) absl::StrAppend(&note, note.empty() ? "" : "  ", "--set ", absl::StrJoin(v.set(), " --set "));
    rows.push_back({absl::StrCat(v.number()), v.job_id(), v.owner(), TimeOfDay(v.submitted_unix_ms(), now),
                    over ? StateName(v.state()) : "not over", over ? absl::StrCat(v.rendered()) : "-",
                    over ? Seconds(v.seconds()) : "-", note});
  }
  return Table({"version", "job", "owner", "submitted", "state", "rendered", "took", "note"}, rows);
}

class Versions final : public Command {
 public:
  CommandHelp help() const override {
    return {"versions", Group::kResult, "List the submissions of a stack, newest first",
            "Each submission of a stack has a number. The newest 500 are kept with who submitted them, when, the\n"
            "note (`submit --note`), the stack and its text; fewer of stacks that are very large.\n"
            "  selvage versions apiary_010.stack\n"
            "  selvage stack apiary_010@3 -o before_lunch.stack     take one back as text\n"
            "  selvage compare apiary_010@3 apiary_010@5            what changed\n"
            "  selvage fetch JOB                                    its files, as far as they are in the cache"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("STACK", stack_, "The stack file, or the name of the stack")->required();
    app->add_option("--limit", limit_, "How many")->capture_default_str()->check(CLI::Range(1, 500));
  }

  absl::Status Run(const Globals& globals) override {
    ListVersionsRequest request;
    ASSIGN_OR_RETURN(*request.mutable_stack_name(), NameOfStack(stack_));
    request.set_limit(limit_);
    Connection connection(globals);
    ListVersionsReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().ListVersions(context.get(), request, &reply)));
    std::fputs((globals.json ? Json(reply) : VersionsTable(reply)).c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  std::string stack_;
  unsigned limit_ = 20;
};
REGISTER_COMMAND(Versions);

}  // namespace
}  // namespace selvage::client
