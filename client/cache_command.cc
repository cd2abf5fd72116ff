// `selvage cache`: what is kept, and what it saves.
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunCache(const Globals& globals, const CacheOptions& options) {
  Connection connection(globals);
  CacheInfoRequest request;
  request.set_stack_name(options.stack);
  CacheInfoReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().CacheInfo(context.get(), request, &reply)));
  if (globals.json) {
    std::fputs(Json(reply).c_str(), stdout);
    return absl::OkStatus();
  }
  std::vector<std::vector<std::string>> rows;
  for (const CacheInfoReply::PassLine& p : reply.pass()) {
    rows.push_back({p.pass(), absl::StrCat(p.frames()), Bytes(p.bytes()), Seconds(p.render_seconds()),
                    Seconds(p.seconds_saved()), p.keep() == Pass::ALWAYS ? "always" : ""});
  }
  if (!rows.empty()) {
    std::fputs(Table({"pass", "frames", "size", "render time", "saved so far", "kept"}, rows).c_str(), stdout);
  } else if (!options.stack.empty()) {
    std::printf("nothing of a stack \"%s\" is held\n", options.stack.c_str());
  }
  std::printf("%llu results, %s of %s; since the daemon started %llu hits, %llu misses, %llu damaged tiles\n",
              static_cast<unsigned long long>(reply.results()), Bytes(reply.bytes()).c_str(),
              Bytes(reply.budget_bytes()).c_str(), static_cast<unsigned long long>(reply.hits()),
              static_cast<unsigned long long>(reply.misses()), static_cast<unsigned long long>(reply.damaged()));
  return absl::OkStatus();
}

}  // namespace selvage::client
