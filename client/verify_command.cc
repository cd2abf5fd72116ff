// `selvage cache verify`: reads every tile, and says what is damaged.
#include <unistd.h>

#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "proto/status.h"

namespace selvage::client {

absl::Status RunVerify(const Globals& globals) {
  Connection connection(globals);
  const auto context = connection.Stream();
  const auto stream = connection.jobs().VerifyCache(context.get(), VerifyCacheRequest());
  const bool live = !globals.json && ::isatty(STDERR_FILENO);
  VerifyProgress p;
  while (stream->Read(&p)) {
    if (!live) continue;
    std::fprintf(stderr, "\r%llu of %llu tiles, %llu results, %llu damaged ",
                 static_cast<unsigned long long>(p.tiles_checked()), static_cast<unsigned long long>(p.tiles()),
                 static_cast<unsigned long long>(p.results_checked()), static_cast<unsigned long long>(p.damaged()));
  }
  if (live) std::fputs("\r\033[K", stderr);
  RETURN_IF_ERROR(connection.Explain(stream->Finish()));
  if (globals.json) {
    std::fputs(Json(p).c_str(), stdout);
    return absl::OkStatus();
  }
  std::printf("%llu tiles and %llu results checked in %s\n", static_cast<unsigned long long>(p.tiles_checked()),
              static_cast<unsigned long long>(p.results_checked()), Seconds(p.seconds()).c_str());
  if (p.damaged() == 0 && p.results_lost() == 0) {
    std::puts("all are whole");
  } else {
    std::printf(
        "%llu tiles were damaged and are deleted; %llu results lack tiles and will be rendered again when they are "
        "needed\n",
        static_cast<unsigned long long>(p.damaged()), static_cast<unsigned long long>(p.results_lost()));
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
