// Sends a stored blob to a client, chunk by chunk.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <utility>
#include <vector>

#include "proto/job.grpc.pb.h"
#include "server/calls.h"
#include "server/engine/engine.h"

namespace selvage {

// SHA-256 of whole blobs, so that a fetch in pieces hashes once.
class BlobDigests {
 public:
  // Reads the blob unless it is known. Blocks.
  absl::StatusOr<Digest> Of(const BlobRef& blob, TileStore& tiles);

 private:
  Mutex mutex_;
  std::map<ResultKey, Digest> known_ ABSL_GUARDED_BY(mutex_);
};

// One 1 MiB chunk in memory and in flight at a time, so a slow reader costs nothing.
class FileStream final : public Call<grpc::ServerWriteReactor<FileChunk>> {
 public:
  static std::shared_ptr<FileStream> Start(Engine* engine, OpenCalls* calls, const grpc::ServerContextBase& context,
                                           BlobDigests* digests);
  using Call::over;

  // From what a delivered file was made: before Send.
  void Tell(FileOrigin origin) { origin_ = std::move(origin); }
  // At which size a look was rendered: before Send.
  void TellSize(uint32_t proxy) { proxy_ = proxy; }

  // Then exactly one of these, or End, from any thread.
  void Send(BlobRef blob, uint64_t offset, std::vector<JobWarning> warnings = {});
  void Refuse(const std::vector<StackError>& errors);

  // Called when the client goes away before the end.
  void WhenGone(std::function<void()> gone);

 private:
  FileStream(Engine* engine, OpenCalls* calls, BlobDigests* digests)
      : Call(calls), engine_(engine), digests_(digests) {}
  void OnWriteDone(bool ok) override;
  void OnGone() override;
  std::shared_ptr<FileStream> self() { return std::static_pointer_cast<FileStream>(shared_from_this()); }
  void Next();
  absl::Status Fill();

  Engine* const engine_;
  BlobDigests* const digests_;
  Mutex mutex_;
  std::function<void()> gone_ ABSL_GUARDED_BY(mutex_);

  // Used by one thread at a time: the one that prepares the next chunk.
  BlobRef blob_;
  uint64_t offset_ = 0;
  bool first_ = true;
  std::vector<JobWarning> warnings_;
  std::optional<FileOrigin> origin_;
  uint32_t proxy_ = 1;
  FileChunk chunk_;
};

}  // namespace selvage
