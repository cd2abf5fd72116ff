// selvage-worker: renders what a daemon gives it.
#include <grpcpp/channel.h>
#include <signal.h>
#include <spdlog/spdlog.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <thread>

#include "cache/remote_tile_store.h"
#include "cache/verifying_tile_store.h"
#include "proto/door/prepare_tls.h"
#include "proto/door/private_file.h"
#include "proto/door/route.h"
#include "proto/size.h"
#include "proto/status.h"
#include "proto/version.h"
#include "worker/run/agent.h"
#include "worker/run/stop_signals.h"

namespace {

constexpr char kExamples[] = R"(Examples:
  selvage-worker
      renders for the daemon on this machine, one task a core
  selvage-worker --server 127.0.0.1:7311 --slots 4 --memory 2G
      four tasks side by side, 2 GiB of plates and tiles kept in memory
  selvage-worker --server render01:7411 --token-file /etc/selvage/worker.token --fingerprint 4F:0A:...
      for a daemon on another machine; the token is made there by
      `selvaged token add farm --role worker`, the fingerprint is what selvaged printed
  selvage-worker --server render01:7411 --map /studio=/mnt/studio --map /library=/mnt/library
      plates that the daemon reads below /studio are mounted elsewhere here
Without --token-file: what `selvage connect` has stored for this user, if it is a worker's token.

SIGTERM: takes no more tasks, finishes what it has within --grace, hands back the rest.
Exit codes: 0 told to stop, 1 wrong usage, a daemon of another version or one that does not take the token.
)";

// A socket of this machine's file system: the daemon's own worker.
constexpr char kSocket[] = "unix:";

struct DaemonOptions {
  std::string server, token_file, fingerprint, authority;
};

// A daemon that is away is waited for; one that is not to be trusted is refused at once.
absl::StatusOr<selvage::KnownDaemon> TrustPatiently(const DaemonOptions& o, const std::string& server) {
  for (bool said = false;; said = true) {
    auto known = selvage::Trust(server, o.fingerprint, o.authority);
    if (known.ok() || !absl::IsUnavailable(known.status())) return known;
    if (!said) spdlog::warn("{}; trying again", std::string(known.status().message()));
    ::sleep(2);
  }
}

absl::StatusOr<selvage::Route> RouteTo(const DaemonOptions& o) {
  if (o.server.starts_with(kSocket)) return selvage::Route{o.server};
  if (!o.token_file.empty()) {
    const char* set = std::getenv("SELVAGE_SERVER");
    const std::string server = o.server.empty() && set != nullptr ? set : o.server;
    if (server.empty()) return absl::InvalidArgumentError("--token-file needs --server, the daemon that it is for");
    ASSIGN_OR_RETURN(const std::string token, selvage::ReadTokenFile(o.token_file), selvage::Annotate("--token-file"));
    ASSIGN_OR_RETURN(selvage::KnownDaemon known, TrustPatiently(o, server));
    known.set_token(token);
    return selvage::Route{known.address(), true, known};
  }
  if (!o.fingerprint.empty() || !o.authority.empty()) {
    return absl::InvalidArgumentError("a daemon on another machine also asks for a token: --token-file");
  }
  ASSIGN_OR_RETURN(selvage::Route route, selvage::FindRoute(o.server));
  const bool asked_for = !o.server.empty() || std::getenv("SELVAGE_SERVER") != nullptr;
  // An artist's own daemon of choice: that token does not render.
  const auto role = route.known.role();
  if (!asked_for && route.tls && role != selvage::Token::WORKER && role != selvage::Token::ADMINISTRATOR) {
    return selvage::Route{selvage::kDefaultServer};
  }
  if (route.tls) {
    // Away is no reason to leave.
    if (absl::Status s = selvage::Diagnose(route); !s.ok() && !absl::IsUnavailable(s)) return s;
  }
  return route;
}

// Of a daemon that cannot be reached any more.
std::string Explain(const selvage::Route& route) {
  if (!route.tls) return "";
  const absl::Status s = selvage::Diagnose(route);
  return absl::IsUnavailable(s) ? "" : std::string(s.message());
}

int Fail(const absl::Status& status) {
  std::fprintf(stderr, "selvage-worker: %s\n", std::string(status.message()).c_str());
  return 1;
}

}  // namespace

int main(int argc, char** argv) {
  std::string memory = "1G";
  DaemonOptions daemon;
  std::string name;
  std::vector<std::string> maps;
  double grace = 27;
  int slots = static_cast<int>(std::max(1u, std::thread::hardware_concurrency()));
  uint64_t max_decoded_mib = selvage::worker::PlateLimits().decoded_bytes >> 20;
  CLI::App app("Renders passes for a Selvage daemon.", "selvage-worker");
  app.set_version_flag("--version", selvage::kVersion);
  app.footer(kExamples);
  app.add_option("--server", daemon.server,
                 "Daemon, HOST:PORT; default: SELVAGE_SERVER, else the one of `selvage connect`, else 127.0.0.1:7311");
  app.add_option("--token-file", daemon.token_file, "File with the worker's token, for a daemon on another machine");
  app.add_option("--fingerprint", daemon.fingerprint, "Of its certificate, as selvaged printed it");
  app.add_option("--authority", daemon.authority, "Certificate of the house, PEM, instead of a fingerprint");
  app.add_option("--slots", slots, "Tasks side by side")->capture_default_str()->check(CLI::Range(1, 1024));
  app.add_option("--memory", memory, "Memory for decoded plates and tiles")->capture_default_str();
  app.add_option("--max-decoded-mib", max_decoded_mib, "Largest plate, as a file and when it is decoded, in MiB")
      ->capture_default_str()
      ->check(CLI::Range(1, 1 << 20));
  app.add_option("--map", maps,
                 "/studio=/mnt/studio: the daemon's folder = where the same disk is mounted here; may be repeated. "
                 "What is read is held against the digest that the stack was planned with")
      ->type_name("THERE=HERE")
      ->allow_extra_args(false);
  app.add_option("--name", name, "What it is called in `selvage workers`; default: host and process number");
  app.add_option("--grace", grace, "Seconds for what it has begun, once it is told to stop; then it hands it back")
      ->capture_default_str()
      ->check(CLI::Range(0.0, 86'400.0));
  CLI11_PARSE(app, argc, argv);

  const auto memory_bytes = selvage::ParseSize(memory);
  if (!memory_bytes.ok()) return Fail(memory_bytes.status());
  const auto map = selvage::worker::PathMap::Parse(maps);
  if (!map.ok()) return Fail(selvage::Annotate("--map")(map.status()));

  // May wait for the daemon; until then a signal ends it as it ends any program.
  selvage::PrepareTls();
  const auto route = RouteTo(daemon);
  if (!route.ok()) return Fail(route.status());

  selvage::worker::StopSignals signals;
  ::signal(SIGPIPE, SIG_IGN);

  auto tiles = std::make_shared<selvage::VerifyingTileStore>(
      std::shared_ptr<selvage::TileStore>(selvage::NewRemoteTileStore(selvage::worker::ConnectToDaemon(*route))));
  selvage::worker::Agent agent(selvage::worker::ConnectToDaemon(*route), tiles,
                               {.name = name,
                                .explain = [route = *route] { return Explain(route); },
                                .slots = slots,
                                .memory_bytes = *memory_bytes,
                                .plates = {.decoded_bytes = max_decoded_mib << 20},
                                .map = *map});
  signals.Watch(
      [&agent, grace] {
        spdlog::info("told to stop; finishing what runs");
        agent.Drain(grace);
      },
      [] { ::_exit(1); });
  spdlog::info("selvage-worker {} for {}, {} slots", selvage::kVersion, route->address, slots);
  const absl::Status status = agent.Run();
  signals.End();
  if (!status.ok()) return Fail(status);
  spdlog::info("stopped");
  return 0;
}
