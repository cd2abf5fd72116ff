#include "cache/remote_tile_store.h"

#include <grpcpp/client_context.h>
#include <grpcpp/support/sync_stream.h>

#include <algorithm>
#include <chrono>
#include <unordered_map>

#include "proto/cache.grpc.pb.h"
#include "proto/status.h"

namespace selvage {
namespace {

// As cache.proto allows.
constexpr size_t kDigestsPerCall = 16384;
// gRPC refuses messages over 4 MiB; 1 MiB was fastest on loopback within noise
// and keeps a slow reader's memory small. A single tile may be a little more.
constexpr size_t kMessageBytes = 1 << 20;
// Long enough for 16,384 tiles over a slow line, short enough that a dead
// daemon is noticed.
constexpr auto kTimeout = std::chrono::minutes(5);

absl::Status FromGrpc(const grpc::Status& s) {
  if (s.ok()) return absl::OkStatus();
  return absl::Status(static_cast<absl::StatusCode>(s.error_code()), s.error_message());
}

class RemoteTileStore final : public TileStore {
 public:
  explicit RemoteTileStore(std::shared_ptr<grpc::ChannelInterface> channel)
      : stub_(CacheService::NewStub(std::move(channel))) {}

  absl::StatusOr<std::vector<std::optional<std::string>>> Get(std::span<const Digest> digests) override {
    std::vector<std::optional<std::string>> found(digests.size());
    for (size_t first = 0; first < digests.size(); first += kDigestsPerCall) {
      const size_t count = std::min(kDigestsPerCall, digests.size() - first);
      RETURN_IF_ERROR(GetSome(digests.subspan(first, count), std::span(found).subspan(first, count)));
    }
    return found;
  }

  absl::StatusOr<std::vector<Digest>> FindMissing(std::span<const Digest> digests) override {
    std::vector<Digest> missing;
    for (size_t first = 0; first < digests.size(); first += kDigestsPerCall) {
      FindMissingRequest request;
      for (const Digest& d : digests.subspan(first, std::min(kDigestsPerCall, digests.size() - first))) {
        request.add_digest(d.str());
      }
      FindMissingReply reply;
      grpc::ClientContext context;
      Prepare(&context);
      RETURN_IF_ERROR(FromGrpc(stub_->FindMissing(&context, request, &reply)), Annotate("asking for missing tiles"));
      for (const std::string& raw : reply.digest()) {
        const auto d = Digest::FromBytes(raw);
        if (!d) return absl::InternalError("asking for missing tiles: the daemon answered with a malformed digest");
        missing.push_back(*d);
      }
    }
    return missing;
  }

  absl::Status Put(std::span<const StoredTile> tiles) override {
    if (tiles.empty()) return absl::OkStatus();
    grpc::ClientContext context;
    Prepare(&context);
    WriteTilesReply reply;
    const auto writer = stub_->WriteTiles(&context, &reply);
    WriteTilesRequest request;
    size_t bytes = 0;
    bool open = true;
    for (const StoredTile& t : tiles) {
      if (bytes > 0 && bytes + t.data.size() > kMessageBytes) {
        // A failed write means that the daemon has ended the call: Finish says why.
        open = writer->Write(request);
        if (!open) break;
        request.Clear();
        bytes = 0;
      }
      TileBytes* tile = request.add_tile();
      tile->set_digest(t.digest.str());
      tile->set_data(t.data);
      bytes += t.data.size();
    }
    if (open) open = writer->Write(request);
    writer->WritesDone();
    RETURN_IF_ERROR(FromGrpc(writer->Finish()), Annotate("sending tiles"));
    if (!open) return absl::UnavailableError("sending tiles: the daemon ended the call early");
    return absl::OkStatus();
  }

  absl::Status MakeDurable() override { return absl::OkStatus(); }

  absl::Status Delete(std::span<const Digest>) override {
    return absl::UnimplementedError("tiles of the daemon cannot be deleted from outside");
  }

 private:
  static void Prepare(grpc::ClientContext* context) {
    context->set_deadline(std::chrono::system_clock::now() + kTimeout);
  }

  absl::Status GetSome(std::span<const Digest> digests, std::span<std::optional<std::string>> found) {
    // A digest may be asked for twice: it travels once.
    std::unordered_map<Digest, std::vector<size_t>, DigestHash> places;
    ReadTilesRequest request;
    for (size_t i = 0; i < digests.size(); ++i) {
      std::vector<size_t>& at = places[digests[i]];
      if (at.empty()) request.add_digest(digests[i].str());
      at.push_back(i);
    }
    grpc::ClientContext context;
    Prepare(&context);
    const auto reader = stub_->ReadTiles(&context, request);
    ReadTilesReply reply;
    while (reader->Read(&reply)) {
      for (TileBytes& tile : *reply.mutable_tile()) {
        const auto d = Digest::FromBytes(tile.digest());
        const auto at = d ? places.find(*d) : places.end();
        // Not asked for: a daemon that does this is told by the missing tile.
        if (at == places.end()) continue;
        for (const size_t i : at->second) found[i] = tile.data();
      }
    }
    return Annotated(FromGrpc(reader->Finish()));
  }

  static absl::Status Annotated(const absl::Status& s) { return s.ok() ? s : Annotate("fetching tiles")(s); }

  const std::unique_ptr<CacheService::Stub> stub_;
};

}  // namespace

std::unique_ptr<TileStore> NewRemoteTileStore(std::shared_ptr<grpc::ChannelInterface> channel) {
  return std::make_unique<RemoteTileStore>(std::move(channel));
}

}  // namespace selvage
