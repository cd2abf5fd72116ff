// `selvage plan`: what would be rendered, and why.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/estimate.h"
#include "client/json.h"
#include "client/output.h"
#include "client/stack_arguments.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

std::string ReasonsOf(const PassPlan& pass) {
  std::string why;
  for (const PlanReason& r : pass.reason()) {
    absl::StrAppend(&why, why.empty() ? "" : "; ", r.pass().empty() ? "" : absl::StrCat(r.pass(), ": "), r.text());
    if (r.frame_size() > 0) absl::StrAppend(&why, " (", FrameList(r.frame()), ")");
  }
  return why;
}

// "24 read by several, 48 handed on in memory"
std::string StoringOf(const PassPlan& pass) {
  std::string text;
  for (const StoringLine& line : pass.storing()) {
    absl::StrAppend(&text, text.empty() ? "" : ", ", line.results(), " ", line.why());
  }
  return text;
}

void Print(const PlanReply& reply) {
  std::vector<std::vector<std::string>> rows;
  uint64_t render = 0, reuse = 0;
  for (const PassPlan& p : reply.pass()) {
    render += p.render();
    reuse += p.reuse();
    rows.push_back({p.pass(), absl::StrCat(p.render()), absl::StrCat(p.reuse()), StoringOf(p), ReasonsOf(p)});
  }
  std::fputs(Table({"pass", "render", "reuse", "stored", "why"}, rows).c_str(), stdout);
  std::fputs(absl::StrCat(render, " tasks to render, ", reuse, " to reuse\n").c_str(), stdout);
  std::printf("time: %s\n", InWords(reply.estimate()).c_str());
}

class Plan final : public Command {
 public:
  CommandHelp help() const override {
    return {"plan", Group::kJob, "Say what a submission would render, pass by pass, and why",
            "Nothing is rendered, but plates that nobody has read yet are read. A task is one pass at one frame;\n"
            "heavy steps (degrain, unmix, ...) are tasks of their own. What is handed on in memory is not stored:\n"
            "it is rendered again with what needs its pixels. The time is reckoned from what tasks like these took\n"
            "here, and if nothing else is rendered; it is less where inputs come out the same.\n"
            "  selvage plan apiary_010.stack\n"
            "  selvage plan apiary_010.stack --set core.levels.black=0.3     what this change would cost"};
  }
  void Declare(CLI::App* app) override { stack_.Declare(app); }

  absl::Status Run(const Globals& globals) override {
    ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
    PlanRequest request;
    *request.mutable_stack() = file.stack();
    Connection connection(globals);
    PlanReply reply;
    auto context = connection.Call(600);
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Plan(context.get(), request, &reply)));
    RETURN_IF_ERROR(file.Refuse(reply.error()));
    if (globals.json) {
      std::fputs(Json(reply).c_str(), stdout);
    } else {
      Print(reply);
    }
    return absl::OkStatus();
  }

 private:
  StackArguments stack_;
};
REGISTER_COMMAND(Plan);

}  // namespace
}  // namespace selvage::client
