#include "server/door_service.h"

#include <unistd.h>

#include "proto/version.h"

namespace selvage {

grpc::ServerUnaryReactor* DoorServiceImpl::WhoAmI(grpc::CallbackServerContext* c, const WhoAmIRequest*,
                                                  WhoAmIReply* reply) {
  auto* reactor = c->DefaultReactor();
  const absl::StatusOr<Caller> caller = calls_->Who(*c);
  if (caller.ok()) {
    char host[256] = "";
    (void)::gethostname(host, sizeof host - 1);
    reply->set_name(caller->name);
    reply->set_role(caller->role);
    reply->set_expires_unix_s(caller->expires_unix_s);
    reply->set_version(kVersion);
    reply->set_host(host);
  }
  reactor->Finish(ToGrpc(caller.status()));
  return reactor;
}

}  // namespace selvage
