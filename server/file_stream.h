// Sends a stored blob to a client, chunk by chunk.
#pragma once

#include <grpcpp/support/server_callback.h>

#include <functional>
#include <map>
#include <memory>
#include <mutex>

#include "proto/job.grpc.pb.h"
#include "server/calls.h"
#include "server/engine.h"

namespace selvage {

// SHA-256 of whole blobs, so that a fetch in pieces hashes once.
class BlobDigests {
 public:
  // Reads the blob unless it is known. Blocks.
  absl::StatusOr<Digest> Of(const BlobRef& blob, TileStore& tiles);

 private:
  std::mutex mutex_;
  std::map<ResultKey, Digest> known_;
};

// One 1 MiB chunk in memory and in flight at a time, so a slow reader costs nothing.
class FileStream final : public grpc::ServerWriteReactor<FileChunk>,
                         public OpenCall,
                         public std::enable_shared_from_this<FileStream> {
 public:
  static std::shared_ptr<FileStream> Make(Engine* engine, OpenCalls* calls, BlobDigests* digests);

  // Then exactly one of these, from any thread.
  void Send(BlobRef blob, uint64_t offset, std::vector<JobWarning> warnings = {});
  void Refuse(const std::vector<StackError>& errors);
  void End(const absl::Status& why) override;

  // Called when the client goes away before the end.
  void OnGone(std::function<void()> gone);

 private:
  FileStream(Engine* engine, OpenCalls* calls, BlobDigests* digests)
      : engine_(engine), calls_(calls), digests_(digests) {}
  void OnWriteDone(bool ok) override;
  void OnCancel() override;
  void OnDone() override;
  void Next();
  void Write();

  Engine* const engine_;
  OpenCalls* const calls_;
  BlobDigests* const digests_;
  std::shared_ptr<FileStream> self_;  // until OnDone

  // gRPC may call back from within StartWrite and Finish.
  std::recursive_mutex mutex_;
  bool finished_ = false;
  std::function<void()> gone_;

  // Used by one thread at a time: the one that prepares the next chunk.
  BlobRef blob_;
  uint64_t offset_ = 0;
  bool first_ = true;
  std::vector<JobWarning> warnings_;
  FileChunk chunk_;
};

}  // namespace selvage
