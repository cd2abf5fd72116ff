// The daemon's tiles as a worker or a client sees them, over CacheService.
#pragma once

#include <memory>

#include "cache/tile_store.h"

namespace grpc {
class ChannelInterface;
}

namespace selvage {

// Blocks while it waits: call it from worker threads, never in a gRPC reaction.
// Messages of about 1 MiB, one write in flight. Nothing is verified here: put a
// VerifyingTileStore in front. Put is durable once the daemon has committed the
// result that names the tiles, so MakeDurable has nothing to do.
// Not offered: Delete and Scan (UNIMPLEMENTED).
// Errors: those of the service; UNAVAILABLE and DEADLINE_EXCEEDED may be retried.
std::unique_ptr<TileStore> NewRemoteTileStore(std::shared_ptr<grpc::ChannelInterface> channel);

}  // namespace selvage
