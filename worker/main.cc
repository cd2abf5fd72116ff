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
#include "proto/address.h"
#include "proto/size.h"
#include "proto/version.h"
#include "worker/run/agent.h"
#include "worker/run/stop_signals.h"

namespace {

constexpr double kGraceSeconds = 27;  // of the 30 s that a launcher gives us

constexpr char kExamples[] = R"(Examples:
  selvage-worker
      renders for the daemon on this machine, one task a core
  selvage-worker --server 127.0.0.1:7311 --slots 4 --memory 2G
      four tasks side by side, 2 GiB of plates and tiles kept in memory

SIGTERM: takes no more tasks, finishes what it has within 30 s, hands back the rest.
Exit codes: 0 told to stop, 1 wrong usage or a daemon of another version.
)";

int Fail(const absl::Status& status) {
  std::fprintf(stderr, "selvage-worker: %s\n", std::string(status.message()).c_str());
  return 1;
}

}  // namespace

int main(int argc, char** argv) {
  std::string server = "127.0.0.1:7311", memory = "1G";
  if (const char* from_environment = std::getenv("SELVAGE_SERVER")) server = from_environment;
  int slots = static_cast<int>(std::max(1u, std::thread::hardware_concurrency()));
  uint64_t max_decoded_mib = selvage::worker::PlateLimits().decoded_bytes >> 20;
  CLI::App app("Renders passes for a Selvage daemon.", "selvage-worker");
  app.set_version_flag("--version", selvage::kVersion);
  app.footer(kExamples);
  app.add_option("--server", server, "Daemon, HOST:PORT (or SELVAGE_SERVER)")->capture_default_str();
  app.add_option("--slots", slots, "Tasks side by side")->capture_default_str()->check(CLI::Range(1, 1024));
  app.add_option("--memory", memory, "Memory for decoded plates and tiles")->capture_default_str();
  app.add_option("--max-decoded-mib", max_decoded_mib, "Largest plate, as a file and when it is decoded, in MiB")
      ->capture_default_str()
      ->check(CLI::Range(1, 1 << 20));
  CLI11_PARSE(app, argc, argv);

  const auto address = selvage::ParseLoopback(server);
  if (!address.ok()) return Fail(address.status());
  const auto memory_bytes = selvage::ParseSize(memory);
  if (!memory_bytes.ok()) return Fail(memory_bytes.status());

  selvage::worker::StopSignals signals;
  ::signal(SIGPIPE, SIG_IGN);

  const std::string where = address->Text();
  auto tiles = std::make_shared<selvage::VerifyingTileStore>(
      std::shared_ptr<selvage::TileStore>(selvage::NewRemoteTileStore(selvage::worker::ConnectToDaemon(where))));
  selvage::worker::Agent agent(
      selvage::worker::ConnectToDaemon(where), tiles,
      {.slots = slots, .memory_bytes = *memory_bytes, .plates = {.decoded_bytes = max_decoded_mib << 20}});
  signals.Watch(
      [&agent] {
        spdlog::info("told to stop; finishing what runs");
        agent.Drain(kGraceSeconds);
      },
      [] { ::_exit(1); });
  spdlog::info("selvage-worker {} for {}, {} slots", selvage::kVersion, where, slots);
  const absl::Status status = agent.Run();
  signals.End();
  if (!status.ok()) return Fail(status);
  spdlog::info("stopped");
  return 0;
}
