// CacheService: tile bytes between workers and the daemon's store.
#pragma once

#include "proto/cache.grpc.pb.h"
#include "server/calls.h"
#include "server/engine/engine.h"

namespace selvage {

class CacheServiceImpl final : public CacheService::CallbackService {
 public:
  CacheServiceImpl(Engine* engine, OpenCalls* calls) : engine_(engine), calls_(calls) {}

  grpc::ServerUnaryReactor* FindMissing(grpc::CallbackServerContext* c, const FindMissingRequest* request,
                                        FindMissingReply* reply) override;
  grpc::ServerReadReactor<WriteTilesRequest>* WriteTiles(grpc::CallbackServerContext* c,
                                                         WriteTilesReply* reply) override;
  grpc::ServerWriteReactor<ReadTilesReply>* ReadTiles(grpc::CallbackServerContext* c,
                                                      const ReadTilesRequest* request) override;

 private:
  Engine* const engine_;
  OpenCalls* const calls_;
};

}  // namespace selvage
