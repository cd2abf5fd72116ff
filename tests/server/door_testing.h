// A daemon behind a door, on loopback, and those who come in.
#pragma once

#include <grpcpp/grpcpp.h>

#include <filesystem>
#include <memory>
#include <string>

#include "proto/door/door.grpc.pb.h"
#include "proto/door/route.h"
#include "server/door/door.h"
#include "server/grpc_server.h"
#include "tests/server/daemon.h"

namespace selvage {

class TemporaryFolder {
 public:
  TemporaryFolder();
  ~TemporaryFolder();
  std::string path() const { return path_.string(); }
  std::string file(const std::string& name) const { return (path_ / name).string(); }

 private:
  std::filesystem::path path_;
};

// A door to the engine of a daemon.
class DoorOf {
 public:
  explicit DoorOf(Daemon* daemon, const std::string& tls_cert = "", const std::string& tls_key = "");
  ~DoorOf() { Shutdown(); }
  void Shutdown() { server_->Shutdown(); }

  std::string state() const { return folder_.path(); }
  std::string file(const std::string& name) const { return folder_.file(name); }
  // Makes one and lets the door know it.
  std::string Add(const std::string& name, Token::Role role);
  void Revoke(const std::string& name);
  void Tick();

  Door& door() { return *door_; }
  // With the certificate that the door shows now; "" comes without a token.
  Route RouteFor(const std::string& token) const;
  std::shared_ptr<grpc::Channel> Channel(const std::string& token) const;
  std::unique_ptr<JobService::Stub> Jobs(const std::string& token) const { return JobService::NewStub(Channel(token)); }
  int port() const { return port_; }

 private:
  TemporaryFolder folder_;
  std::unique_ptr<Door> door_;
  std::unique_ptr<GrpcServer> server_;
  int port_ = 0;
};

// Of a call with the least that it needs.
grpc::Status AskWho(const std::shared_ptr<grpc::Channel>& channel, WhoAmIReply* reply);

}  // namespace selvage
