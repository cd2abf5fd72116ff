// selvaged: the daemon. Puts the parts together; the only place where server
// and worker meet.
#include <grpcpp/channel.h>
#include <malloc.h>
#include <signal.h>
#include <spdlog/spdlog.h>
#include <sys/un.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <ctime>
#include <filesystem>
#include <thread>

#include "absl/strings/str_cat.h"
#include "cache/lru_tile_store.h"
#include "cache/read_through_tile_store.h"
#include "proto/size.h"
#include "proto/status.h"
#include "proto/version.h"
#include "proto/door/prepare_tls.h"
#include "proto/door/route.h"
#include "server/door/token_command.h"
#include "server/http/metrics.h"
#include "server/http/status_server.h"
#include "server/listeners.h"
#include "server/local_worker.h"
#include "server/log.h"
#include "server/startup.h"
#include "worker/run/agent.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

constexpr double kDrainSeconds = 3.5;               // of the 10 s in which we promise to stop
constexpr double kLongestStop = 9;                  // the state is safe at any instant
constexpr double kHandBackSeconds = 3;              // of those, for the local worker
constexpr uint64_t kEmbeddedTileBytes = 64u << 20;  // tiles that embedded workers keep at hand
constexpr char kLocal[] = "local";                  // the name of what renders here

constexpr char kExamples[] = R"(Examples:
  selvaged
      plates below the current folder, state in ~/.local/state/selvage, one task a core
  selvaged --root /shots --root /library --cache-size 200G --state /fast/selvage
      plates and masks below two folders, 200 GiB of results on a fast disk
  selvaged --local-workers 0
      renders nothing itself; start `selvage-worker` as often as you like
  selvaged token add rhea --role submitter --expires 90d
      a token for somebody at another machine, printed once
  selvaged --listen 127.0.0.1:7311 --listen 0.0.0.0:7411
      in the clear on this machine as before, and with TLS and tokens for others

Others can reach it only through TLS and with a token (`selvaged token --help`). It makes a
certificate of its own unless --tls-cert and --tls-key give one, and prints the fingerprint that
`selvage connect` shows. SIGTERM stops it within 10 s; unfinished jobs go on when it is started again.
)";

struct Arguments {
  std::string state, http = "127.0.0.1:7312", cache_size = "20G", port_file, tls_cert, tls_key, log = "text";
  std::vector<std::string> roots, listen = {kDefaultServer};
  bool require_tls = false;
  uint64_t max_decoded_mib = worker::PlateLimits().decoded_bytes >> 20;
  int64_t plan_tasks = plan::Limits().tasks;
  bool store_all = false;
  bool embedded = false;
  int local_workers = static_cast<int>(std::max(1u, std::thread::hardware_concurrency()));
};

// Returns OK when told to stop, or why the cache cannot go on until it is opened again.
absl::Status WaitForEnd(const sigset_t& signals, const Cache& cache, Listeners* listeners) {
  const timespec second{.tv_sec = 1, .tv_nsec = 0};
  while (sigtimedwait(&signals, nullptr, &second) < 0) {
    RETURN_IF_ERROR(cache.health());
    listeners->Tick();
  }
  return absl::OkStatus();
}

// What renders on this machine: a process that is watched, or threads of the daemon.
class LocalRendering {
 public:
  // Says which it is.
  std::string Start(const Arguments& arguments, const Cache& cache, Engine* engine, Listeners* listeners) {
    if (arguments.local_workers == 0) return "no local worker";
    const std::string slots = absl::StrCat(arguments.local_workers, arguments.local_workers == 1 ? " slot" : " slots");
    std::string why_not;
    if (!arguments.embedded && (why_not = StartProcess(arguments, engine, listeners)).empty()) {
      return absl::StrCat("a local worker with ", slots);
    }
    if (!why_not.empty())
      spdlog::warn(
          "{}, so tasks are rendered in the daemon itself: a damaged picture that crashes one would end the daemon",
          why_not);
    StartThreads(arguments, cache, listeners);
    return absl::StrCat(slots, " in the daemon itself");
  }

  ~LocalRendering() {
    std::error_code error;
    if (!folder_.empty()) fs::remove_all(folder_, error);
  }

  void Stop() {
    if (process_) process_->Stop(kDrainSeconds);
    if (!agent_) return;
    agent_->Drain(kDrainSeconds);
    threads_.join();
  }

 private:
  // Why it cannot be; "" if it was started.
  std::string StartProcess(const Arguments& arguments, Engine* engine, Listeners* listeners) {
    const std::string program = FindWorkerProgram();
    if (program.empty()) return "selvage-worker is not installed";
    folder_ = MakeSocketFolder();
    const std::string socket = absl::StrCat(folder_, "/", kWorkerSocket);
    if (folder_.empty() || socket.size() >= sizeof(sockaddr_un::sun_path)) {
      return "there is no folder for a socket to a worker (XDG_RUNTIME_DIR, TMPDIR)";
    }
    if (absl::Status s = listeners->ListenAt(socket); !s.ok()) return std::string(s.message());
    process_ = std::make_unique<LocalWorker>(LocalWorker::Options{
        .program = program,
        .arguments = {"--server", "unix:" + socket, "--name", kLocal, "--slots", absl::StrCat(arguments.local_workers),
                      "--max-decoded-mib", absl::StrCat(arguments.max_decoded_mib), "--grace",
                      absl::StrCat(kHandBackSeconds)},
        .ended = [engine](bool crashed) { engine->WorkerEnded(kLocal, crashed); }});
    return "";
  }

  void StartThreads(const Arguments& arguments, const Cache& cache, Listeners* listeners) {
    auto tiles =
        std::make_shared<ReadThroughTileStore>(std::make_shared<LruTileStore>(kEmbeddedTileBytes), cache.tiles);
    agent_ = std::make_unique<worker::Agent>(
        listeners->plain().port != 0 ? worker::ConnectToDaemon({listeners->plain().Text()}) : listeners->InProcess(),
        tiles,
        worker::AgentOptions{.name = kLocal,
                             .slots = arguments.local_workers,
                             .plates = {.decoded_bytes = arguments.max_decoded_mib << 20}});
    threads_ = std::thread([this] { (void)agent_->Run(); });
  }

  // Has the socket to the process.
  std::string folder_;
  std::unique_ptr<LocalWorker> process_;
  std::unique_ptr<worker::Agent> agent_;
  std::thread threads_;
};

absl::Status Serve(const Arguments& arguments, const sigset_t& signals) {
  ASSIGN_OR_RETURN(Address http_address, ParseLoopback(arguments.http), Annotate("--http"));
  ASSIGN_OR_RETURN(const uint64_t cache_bytes, ParseSize(arguments.cache_size), Annotate("--cache-size"));
  ASSIGN_OR_RETURN(Roots roots, Roots::Open(arguments.roots), Annotate("--root"));
  std::error_code error;
  fs::create_directories(arguments.state, error);
  ASSIGN_OR_RETURN(
      const std::unique_ptr<Listeners> listeners,
      Listeners::Prepare(
          {.addresses = arguments.listen,
           .require_tls = arguments.require_tls,
           .door = {.state = arguments.state, .tls_cert = arguments.tls_cert, .tls_key = arguments.tls_key}}));

  // The order of these is the order in which they must go, backwards.
  Pool pool(static_cast<int>(std::max(4u, std::thread::hardware_concurrency())));
  ASSIGN_OR_RETURN(Cache cache, OpenCache(arguments.state, {.cache_bytes = cache_bytes}),
                   Annotate("state folder ", arguments.state));
  cache.evictor->Start();
  EngineOptions options;
  options.limits.tasks = arguments.plan_tasks;
  options.storing.all = arguments.store_all;
  Engine engine(&pool, cache, std::move(roots), options);
  // What runs on the pool refers to the engine.
  struct StopsPool {
    Pool* pool;
    ~StopsPool() { pool->Stop(); }
  } stops_pool{&pool};
  RETURN_IF_ERROR(engine.Start());
  struct ShutsDown {
    Listeners* listeners;
    ~ShutsDown() { listeners->Shutdown(); }
  } shuts_down{listeners.get()};
  RETURN_IF_ERROR(listeners->Start(&engine));
  const Process process{arguments.state, static_cast<double>(std::time(nullptr))};
  StatusServer status([&engine, &process](std::function<void(std::string)> then) {
    engine.Stats([then, process](const EngineStats& stats) { then(MetricsPage(stats, process)); });
  });
  ASSIGN_OR_RETURN(http_address.port, status.Start(http_address));
  if (!arguments.port_file.empty())
    RETURN_IF_ERROR(
        WritePortFile(arguments.port_file, listeners->plain().port, listeners->tls().port, http_address.port));

  LocalRendering rendering;
  const std::string renders = rendering.Start(arguments, cache, &engine, listeners.get());
  spdlog::info("selvaged {}, http on {}, state in {}, {}", kVersion, http_address.Text(), arguments.state, renders);

  TellReady();

  const absl::Status end = WaitForEnd(signals, cache, listeners.get());
  TellStopping();
  if (end.ok()) {
    spdlog::info("told to stop");
  } else {
    spdlog::error("{}", std::string(end.message()));
  }
  // Whatever hangs, the promise holds.
  LeaveAfter(kLongestStop);
  listeners->StopServing();
  status.StopServing();
  engine.Stop();
  rendering.Stop();
  listeners->Shutdown();
  status.Stop();
  cache.evictor->Stop();
  pool.Stop();
  spdlog::info("stopped");
  return end;
}

}  // namespace
}  // namespace selvage

int main(int argc, char** argv) {
  selvage::Arguments a;
  a.state = selvage::DefaultStateFolder();
  CLI::App app("Renders stacks and keeps what it rendered.", "selvaged");
  app.set_version_flag("--version", selvage::kVersion);
  app.footer(selvage::kExamples);
  app.add_option("--state", a.state, "Folder for the cache and the journal; one daemon each")->capture_default_str();
  app.add_option("--root", a.roots, "Folder below which plates may lie; may be repeated [current folder]");
  app.add_option("--listen", a.listen,
                 "gRPC, HOST:PORT; port 0 = any free one; may be repeated. Beyond loopback with TLS and tokens")
      ->allow_extra_args(false)
      ->capture_default_str();
  app.add_flag("--require-tls", a.require_tls, "TLS and tokens on loopback too, where others log in to this machine");
  app.add_option("--tls-cert", a.tls_cert, "Certificate with those that vouch for it, PEM; renewed ones are taken up");
  app.add_option("--tls-key", a.tls_key, "Its private key, PEM");
  app.add_option("--http", a.http, "/healthz and /metrics, HOST:PORT")->capture_default_str();
  app.add_option("--local-workers", a.local_workers,
                 "Tasks that a worker of the daemon's own renders side by side; 0 = none")
      ->capture_default_str()
      ->check(CLI::Range(0, 1024));
  app.add_flag("--embedded", a.embedded,
               "Render in the daemon itself, not in a process of its own that may crash without harm");
  app.add_option("--max-decoded-mib", a.max_decoded_mib,
                 "Largest plate that the local worker takes, as a file and when it is decoded, in MiB")
      ->capture_default_str()
      ->check(CLI::Range(1, 1 << 20));
  app.add_option("--cache-size", a.cache_size, "Disk that results may take")->capture_default_str();
  app.add_option("--plan-tasks", a.plan_tasks, "Tasks that one plan may have; each takes about 1 KB while its job runs")
      ->capture_default_str()
      ->check(CLI::Range(1'000, 1'000'000'000));
  app.add_flag("--store-all", a.store_all,
               "Store every result, also those that are quickly rendered again; for comparison");
  app.add_option("--log", a.log, "Lines of the log: text for people, json for programs that collect logs")
      ->capture_default_str()
      ->check(CLI::IsMember({"text", "json"}));
  app.add_option("--port-file", a.port_file, "Write the ports there, as JSON, when all is ready");
  selvage::TokenCommand token;
  token.Declare(&app);
  CLI11_PARSE(app, argc, argv);
  if (token.chosen()) {
    const absl::Status done = token.Run(a.state);
    if (!done.ok()) std::fprintf(stderr, "selvaged: %s\n", std::string(done.message()).c_str());
    return done.ok() ? 0 : 1;
  }
  // Before any thread is there.
  selvage::SetLogFormat(a.log == "json" ? selvage::LogFormat::kJson : selvage::LogFormat::kText);
  selvage::PrepareTls();
  if (a.roots.empty()) a.roots.push_back(".");

  // Many threads allocate a little each: two arenas keep the daemon small.
  ::mallopt(M_ARENA_MAX, 2);
  // Signals are waited for in one place; all threads inherit the mask.
  sigset_t signals;
  sigemptyset(&signals);
  sigaddset(&signals, SIGTERM);
  sigaddset(&signals, SIGINT);
  pthread_sigmask(SIG_BLOCK, &signals, nullptr);
  ::signal(SIGPIPE, SIG_IGN);

  const absl::Status status = selvage::Serve(a, signals);
  if (status.ok()) return 0;
  std::fprintf(stderr, "selvaged: %s\n", std::string(status.message()).c_str());
  return 1;
}
