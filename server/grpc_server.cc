#include "server/grpc_server.h"

#include <grpcpp/ext/health_check_service_server_builder_option.h>
#include <grpcpp/grpcpp.h>
#include <grpcpp/health_check_service_interface.h>
#include <grpcpp/resource_quota.h>

#include <chrono>

#include "absl/strings/str_cat.h"
#include "server/cache_service.h"
#include "server/door/door.h"
#include "server/door_service.h"
#include "server/farm_service.h"
#include "server/job_service.h"

namespace selvage {

namespace {
// A stack of 4,096 passes with long mask paths is a few MiB.
constexpr int kMaxReceiveBytes = 16 << 20;
// A worker hands in on one connection what 64 slots render.
constexpr int kMostStreamsOfAConnection = 256;
constexpr auto kShutdownDeadline = std::chrono::seconds(4);
}  // namespace

struct GrpcServer::Impl {
  Impl(Engine* engine, Door* door)
      : door(door), calls(door), who(&calls), jobs(engine, &calls), cache(engine, &calls), farm(engine, &calls) {}
  Door* const door;
  OpenCalls calls;
  DoorServiceImpl who;
  JobServiceImpl jobs;
  CacheServiceImpl cache;
  FarmServiceImpl farm;
  std::unique_ptr<grpc::Server> server;
};

GrpcServer::GrpcServer(Engine* engine, Door* door) : impl_(std::make_unique<Impl>(engine, door)) {}
GrpcServer::~GrpcServer() { Shutdown(); }

absl::StatusOr<int> GrpcServer::Start(const std::string& host_and_port) {
  grpc::EnableDefaultHealthCheckService(true);
  grpc::ServerBuilder builder;
  int port = 0;
  const auto credentials = impl_->door != nullptr ? impl_->door->Credentials() : grpc::InsecureServerCredentials();
  // None: within this process only.
  if (!host_and_port.empty()) builder.AddListeningPort(host_and_port, credentials, &port);
  if (impl_->door != nullptr) {
    // Whoever never ends a handshake, or asks for everything at once, holds only this much.
    builder.AddChannelArgument(GRPC_ARG_SERVER_HANDSHAKE_TIMEOUT_MS, 20'000);
    builder.AddChannelArgument(GRPC_ARG_MAX_CONCURRENT_STREAMS, kMostStreamsOfAConnection);
  }
  builder.SetMaxReceiveMessageSize(kMaxReceiveBytes);
  // Backstop: messages that clients make us hold.
  builder.SetResourceQuota(grpc::ResourceQuota("selvage").Resize(512u << 20));
  // Clients ping every 20 s, also without calls; the library's default of one
  // ping in five minutes would cut them off.
  builder.AddChannelArgument(GRPC_ARG_KEEPALIVE_TIME_MS, 20'000);
  builder.AddChannelArgument(GRPC_ARG_KEEPALIVE_TIMEOUT_MS, 10'000);
  builder.AddChannelArgument(GRPC_ARG_KEEPALIVE_PERMIT_WITHOUT_CALLS, 1);
  builder.AddChannelArgument(GRPC_ARG_HTTP2_MIN_RECV_PING_INTERVAL_WITHOUT_DATA_MS, 10'000);
  // A second daemon on the same port must fail instead of taking half the calls.
  builder.AddChannelArgument(GRPC_ARG_ALLOW_REUSEPORT, 0);
  builder.RegisterService(&impl_->who);
  builder.RegisterService(&impl_->jobs);
  builder.RegisterService(&impl_->cache);
  builder.RegisterService(&impl_->farm);
  impl_->server = builder.BuildAndStart();
  if (!impl_->server || (port == 0 && !host_and_port.empty())) {
    return absl::UnavailableError(
        absl::StrCat("cannot listen on ", host_and_port, "; is another daemon running there?"));
  }
  return port;
}

std::shared_ptr<grpc::Channel> GrpcServer::InProcess() { return impl_->server->InProcessChannel({}); }

void GrpcServer::Tick() { impl_->calls.EndUnwelcome(); }

void GrpcServer::StopServing() {
  if (!impl_->server) return;
  if (auto* health = impl_->server->GetHealthCheckService()) health->SetServingStatus(false);
}

void GrpcServer::Shutdown() {
  if (!impl_->server) return;
  StopServing();
  impl_->calls.EndAll(absl::UnavailableError("the daemon is going down"));
  impl_->server->Shutdown(std::chrono::system_clock::now() + kShutdownDeadline);
  impl_->server->Wait();
  impl_->server.reset();
}

}  // namespace selvage
