#include "tests/server/door_testing.h"

#include <ctime>

#include "absl/strings/str_cat.h"

namespace selvage {

TemporaryFolder::TemporaryFolder() {
  std::string pattern = (std::filesystem::temp_directory_path() / "selvage-door-XXXXXX").string();
  path_ = ::mkdtemp(pattern.data());
}

TemporaryFolder::~TemporaryFolder() {
  std::error_code error;
  std::filesystem::remove_all(path_, error);
}

DoorOf::DoorOf(Daemon* daemon, const std::string& tls_cert, const std::string& tls_key) {
  auto door = Door::Open(
      {.state = folder_.path(), .tls_cert = tls_cert, .tls_key = tls_key, .hosts = {"localhost", "127.0.0.1"}});
  EXPECT_TRUE(door.ok()) << door.status();
  door_ = *std::move(door);
  server_ = std::make_unique<GrpcServer>(&daemon->engine(), door_.get());
  const auto port = server_->Start("127.0.0.1:0");
  EXPECT_TRUE(port.ok()) << port.status();
  port_ = port.value_or(0);
}

std::string DoorOf::Add(const std::string& name, Token::Role role) {
  const auto token = AddToken(state(), {name, role}, std::time(nullptr));
  EXPECT_TRUE(token.ok()) << token.status();
  Tick();
  return token.value_or("");
}

void DoorOf::Revoke(const std::string& name) {
  EXPECT_TRUE(RevokeToken(state(), name, std::time(nullptr)).ok());
  Tick();
}

void DoorOf::Tick() {
  door_->Tick();
  server_->Tick();
}

Route DoorOf::RouteFor(const std::string& token) const {
  auto known = Trust(absl::StrCat("127.0.0.1:", port_), door_->Fingerprint(), "");
  EXPECT_TRUE(known.ok()) << known.status();
  Route route{absl::StrCat("127.0.0.1:", port_), true, known.value_or(KnownDaemon())};
  route.known.set_token(token);
  return route;
}

std::shared_ptr<grpc::Channel> DoorOf::Channel(const std::string& token) const {
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  return OpenChannel(RouteFor(token), arguments);
}

grpc::Status AskWho(const std::shared_ptr<grpc::Channel>& channel, WhoAmIReply* reply) {
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(30));
  return DoorService::NewStub(channel)->WhoAmI(&context, WhoAmIRequest(), reply);
}

}  // namespace selvage
