// DoorService: who the caller is here.
#pragma once

#include "proto/door/door.grpc.pb.h"
#include "server/calls.h"

namespace selvage {

class DoorServiceImpl final : public DoorService::CallbackService {
 public:
  explicit DoorServiceImpl(OpenCalls* calls) : calls_(calls) {}

  grpc::ServerUnaryReactor* WhoAmI(grpc::CallbackServerContext* c, const WhoAmIRequest* request,
                                   WhoAmIReply* reply) override;

 private:
  OpenCalls* const calls_;
};

}  // namespace selvage
