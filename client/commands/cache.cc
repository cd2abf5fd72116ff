// `selvage cache`: what is in it, and what it saves.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/json.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

std::string StoringOf(const CacheInfoReply::PassLine& pass) {
  std::string text;
  for (const StoringLine& line : pass.storing()) {
    absl::StrAppend(&text, text.empty() ? "" : ", ", line.results(), " ", line.why());
  }
  return text;
}

std::string PassTable(const CacheInfoReply& reply) {
  std::vector<std::vector<std::string>> rows;
  for (const CacheInfoReply::PassLine& p : reply.pass()) {
    rows.push_back({p.pass(), absl::StrCat(p.frames()), Bytes(p.bytes()), Seconds(p.render_seconds()),
                    Seconds(p.seconds_saved()), p.keep() == Pass::ALWAYS ? "always" : "", StoringOf(p)});
  }
  return Table({"pass", "frames", "size", "render time", "saved so far", "kept", "results"}, rows);
}

class Cache final : public Command {
 public:
  CommandHelp help() const override {
    return {"cache", Group::kDaemon, "Say what is in the cache, and what it saves",
            "  selvage cache --stack apiary_010          frames, size, render time that reuse has saved\n"
            "  selvage cache verify                      after a crash of the disk\n"
            "  selvage cache release apiary_010          the shot is delivered: what it kept may go\n"
            "  selvage cache backup /safe/selvage-monday"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("--stack", stack_, "Pass by pass, for the stack of this name")->type_name("NAME");
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    CacheInfoRequest request;
    request.set_stack_name(stack_);
    CacheInfoReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().CacheInfo(context.get(), request, &reply)));
    std::string text;
    if (globals.json) {
      text = Json(reply);
    } else {
      if (reply.pass_size() > 0) {
        text = PassTable(reply);
      } else if (!stack_.empty()) {
        text = absl::StrCat("the cache holds nothing of a stack named \"", stack_, "\"\n");
      }
      absl::StrAppend(&text, reply.results(), " results, ", Bytes(reply.bytes()), " of ", Bytes(reply.budget_bytes()),
                      "; since the daemon started ", reply.hits(), " were reused, ", reply.misses(),
                      " were not there, ", reply.damaged(), " damaged tiles\n");
    }
    std::fputs(text.c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  std::string stack_;
};
REGISTER_COMMAND(Cache);

}  // namespace
}  // namespace selvage::client
