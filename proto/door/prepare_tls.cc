#include "proto/door/prepare_tls.h"

#include <grpc/support/log.h>

#include <cstdio>
#include <cstdlib>
#include <mutex>
#include <utility>

#include "proto/mutex.h"

namespace selvage {
namespace {

struct Failed {
  Mutex mutex;
  FailedHandshakes handshakes ABSL_GUARDED_BY(mutex);
};
Failed& failed() {
  static auto* all = new Failed;
  return *all;
}

void Log(gpr_log_func_args* args) {
  const std::string file = args->file;
  if (file.find("ssl_transport_security") != std::string::npos) {
    Failed& all = failed();
    MutexLock lock(&all.mutex);
    ++all.handshakes.count;
    all.handshakes.last = args->message;
    return;
  }
  std::fprintf(stderr, "gRPC, %s:%d: %s\n", args->file, args->line, args->message);
}

}  // namespace

void PrepareTls() {
  static std::once_flag once;
  std::call_once(once, [] {
    // No option of this gRPC (1.51) sets the least version. With one cipher that TLS 1.2 can use
    // only with keys agreed upon beforehand, of which there are none, no such handshake ends well.
    ::setenv("GRPC_SSL_CIPHER_SUITES", "PSK-AES256-GCM-SHA384", 1);
    // While no call waits, nobody reads the connection that is being made anew but gRPC's own
    // look at it, every 5 s. A handshake takes several looks: none would end in time.
    ::setenv("GRPC_CLIENT_CHANNEL_BACKUP_POLL_INTERVAL_MS", "100", 0);
    gpr_set_log_function(Log);
  });
}

FailedHandshakes TakeFailedHandshakes() {
  Failed& all = failed();
  MutexLock lock(&all.mutex);
  return std::exchange(all.handshakes, {});
}

}  // namespace selvage
