#include "server/grpc_server.h"

#include <grpcpp/ext/health_check_service_server_builder_option.h>
#include <grpcpp/grpcpp.h>
#include <grpcpp/health_check_service_interface.h>
#include <grpcpp/resource_quota.h>

#include <chrono>

#include "absl/strings/str_cat.h"
#include "server/cache_service.h"
#include "server/farm_service.h"
#include "server/job_service.h"

namespace selvage {

namespace {
// A stack of 4,096 passes with long mask paths is a few MiB.
constexpr int kMaxReceiveBytes = 16 << 20;
constexpr auto kShutdownDeadline = std::chrono::seconds(4);
}  // namespace

struct GrpcServer::Impl {
  explicit Impl(Engine* engine) : jobs(engine, &calls), cache(engine, &calls), farm(engine, &calls) {}
  OpenCalls calls;
  JobServiceImpl jobs;
  CacheServiceImpl cache;
  FarmServiceImpl farm;
  std::unique_ptr<grpc::Server> server;
};

GrpcServer::GrpcServer(Engine* engine) : impl_(std::make_unique<Impl>(engine)) {}
GrpcServer::~GrpcServer() { Shutdown(); }

absl::StatusOr<int> GrpcServer::Start(const std::string& host_and_port) {
  grpc::EnableDefaultHealthCheckService(true);
  grpc::ServerBuilder builder;
  int port = 0;
  builder.AddListeningPort(host_and_port, grpc::InsecureServerCredentials(), &port);
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
  builder.RegisterService(&impl_->jobs);
  builder.RegisterService(&impl_->cache);
  builder.RegisterService(&impl_->farm);
  impl_->server = builder.BuildAndStart();
  if (!impl_->server || port == 0) {
    return absl::UnavailableError(
        absl::StrCat("cannot listen on ", host_and_port, "; is another daemon running there?"));
  }
  return port;
}

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
