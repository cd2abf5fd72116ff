#include "server/listeners.h"

#include <grpcpp/channel.h>
#include <spdlog/spdlog.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <utility>

#include "proto/status.h"

namespace selvage {
namespace {

// What people call this machine; for the certificate that we make for it.
std::vector<std::string> NamesOfThisMachine() {
  char host[256] = "";
  (void)::gethostname(host, sizeof host - 1);
  return {host, "localhost", "127.0.0.1", "::1"};
}

}  // namespace

absl::StatusOr<std::unique_ptr<Listeners>> Listeners::Prepare(Options options) {
  auto listeners = std::make_unique<Listeners>();
  options.door.hosts = NamesOfThisMachine();
  bool any_tls = false;
  for (const std::string& text : options.addresses) {
    ASSIGN_OR_RETURN(Address address, ParseAddress(text), Annotate("--listen"));
    const bool tls = options.require_tls || !address.loopback();
    any_tls = any_tls || tls;
    if (address.host != "0.0.0.0" && address.host != "::") options.door.hosts.push_back(address.host);
    listeners->places_.push_back({std::move(address), tls});
  }
  if (!any_tls && !options.door.tls_cert.empty()) {
    return absl::InvalidArgumentError(
        "--tls-cert is for addresses beyond this machine, and --listen names none (--require-tls: on loopback too)");
  }
  if (!any_tls) return listeners;
  ASSIGN_OR_RETURN(listeners->door_, Door::Open(options.door));
  spdlog::info("certificate fingerprint (SHA-256): {}", listeners->door_->Fingerprint());
  RETURN_IF_ERROR(listeners->door_->CheckThatSomebodyMayCome());
  return listeners;
}

absl::Status Listeners::Start(Engine* engine) {
  engine_ = engine;
  for (Place& place : places_) {
    servers_.push_back(std::make_unique<GrpcServer>(engine, place.tls ? door_.get() : nullptr));
    ASSIGN_OR_RETURN(place.address.port, servers_.back()->Start(place.address.Text()));
    Address& first = place.tls ? tls_ : plain_;
    if (first.port == 0) first = place.address;
    spdlog::info("listening on {}{}", place.address.Text(), place.tls ? ", with TLS and tokens" : "");
  }
  if (plain_.port != 0) return absl::OkStatus();
  inside_ = std::make_unique<GrpcServer>(engine);
  return inside_->Start("").status();
}

void Listeners::Tick() {
  if (door_ == nullptr) return;
  door_->Tick();
  for (const auto& server : servers_) server->Tick();
}

void Listeners::StopServing() {
  for (const auto& server : servers_) server->StopServing();
}

void Listeners::Shutdown() {
  for (const auto& server : servers_) server->Shutdown();
  if (inside_) inside_->Shutdown();
}

absl::Status Listeners::ListenAt(const std::string& path) {
  servers_.push_back(std::make_unique<GrpcServer>(engine_));
  RETURN_IF_ERROR(servers_.back()->Start("unix:" + path).status());
  if (::chmod(path.c_str(), S_IRUSR | S_IWUSR) == 0) return absl::OkStatus();
  return absl::UnavailableError("cannot make " + path + " private");
}

std::shared_ptr<grpc::Channel> Listeners::InProcess() { return inside_->InProcess(); }

}  // namespace selvage
