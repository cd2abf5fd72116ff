// FarmService: workers and the engine.
#pragma once

#include "proto/farm.grpc.pb.h"
#include "server/calls.h"
#include "server/engine/engine.h"

namespace selvage {

class FarmServiceImpl final : public FarmService::CallbackService {
 public:
  FarmServiceImpl(Engine* engine, OpenCalls* calls) : engine_(engine), calls_(calls) {}

  grpc::ServerBidiReactor<WorkerReport, WorkerOrders>* Work(grpc::CallbackServerContext* c) override;
  grpc::ServerUnaryReactor* Finish(grpc::CallbackServerContext* c, const TaskOutcome* request,
                                   FinishReply* reply) override;

 private:
  Engine* const engine_;
  OpenCalls* const calls_;
};

}  // namespace selvage
