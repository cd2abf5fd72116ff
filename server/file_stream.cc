#include "server/file_stream.h"

#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "cache/tile_codec.h"
#include "proto/status.h"

namespace selvage {

namespace {

// Enough for the frames that are fetched at the same time.
constexpr size_t kKnownDigests = 1024;

absl::StatusOr<std::string> ReadChunk(const BlobRef& blob, size_t number, TileStore& tiles) {
  if (number >= TileCount(blob.manifest)) return absl::DataLossError("the blob ends early");
  const TileRef ref = GetTile(blob.manifest, number);
  ASSIGN_OR_RETURN(const auto found, tiles.Get({&ref.digest, 1}));
  if (!found.front()) return absl::DataLossError("a part of the file is missing in the cache; submit the job again");
  return DecodeTile(*found.front());
}

}  // namespace

absl::StatusOr<Digest> BlobDigests::Of(const BlobRef& blob, TileStore& tiles) {
  {
    std::lock_guard<std::mutex> lock(mutex_);
    auto it = known_.find(blob.key);
    if (it != known_.end()) return it->second;
  }
  Sha256Stream hash;
  for (size_t i = 0; i < TileCount(blob.manifest); ++i) {
    ASSIGN_OR_RETURN(const std::string bytes, ReadChunk(blob, i, tiles));
    hash.Update(bytes);
  }
  const Digest digest = hash.Finish();
  std::lock_guard<std::mutex> lock(mutex_);
  if (known_.size() >= kKnownDigests) known_.clear();
  known_[blob.key] = digest;
  return digest;
}

std::shared_ptr<FileStream> FileStream::Make(Engine* engine, OpenCalls* calls, BlobDigests* digests) {
  std::shared_ptr<FileStream> stream(new FileStream(engine, calls, digests));
  stream->self_ = stream;
  calls->Add(stream);
  return stream;
}

void FileStream::Send(BlobRef blob, uint64_t offset, std::vector<JobWarning> warnings) {
  if (blob.manifest.kind() != BLOB) return End(absl::InternalError("not a file"));
  const uint64_t size = blob.manifest.blob_size();
  if (offset > size)
    return End(absl::OutOfRangeError(absl::StrCat("offset ", offset, " of a file of ", size, " bytes")));
  blob_ = std::move(blob);
  offset_ = offset;
  warnings_ = std::move(warnings);
  auto self = shared_from_this();
  engine_->pool().Post([self] { self->Next(); });
}

void FileStream::Refuse(const std::vector<StackError>& errors) {
  for (const StackError& e : errors) *chunk_.add_error() = e;
  offset_ = blob_.manifest.blob_size();
  first_ = false;
  Write();
}

// On a thread of the pool.
void FileStream::Next() {
  const uint64_t size = blob_.manifest.blob_size();
  if (offset_ >= size && !first_) return End(absl::OkStatus());
  chunk_.Clear();
  chunk_.set_offset(offset_);
  const absl::Status status = [&]() -> absl::Status {
    if (first_) {
      ASSIGN_OR_RETURN(const Digest digest, digests_->Of(blob_, engine_->tiles()));
      chunk_.set_digest(digest.str());
      chunk_.set_size(size);
      chunk_.mutable_warning()->Assign(warnings_.begin(), warnings_.end());
      first_ = false;
    }
    if (offset_ >= size) return absl::OkStatus();
    ASSIGN_OR_RETURN(std::string bytes, ReadChunk(blob_, offset_ / kBlobChunkBytes, engine_->tiles()));
    const size_t skip = offset_ % kBlobChunkBytes;
    if (skip >= bytes.size()) return absl::DataLossError("the blob ends early");
    bytes.erase(0, skip);
    offset_ += bytes.size();
    chunk_.set_data(std::move(bytes));
    return absl::OkStatus();
  }();
  if (!status.ok()) {
    if (absl::IsDataLoss(status)) engine_->ReportLost(blob_.key);
    return End(status);
  }
  Write();
}

void FileStream::Write() {
  std::lock_guard<std::recursive_mutex> lock(mutex_);
  if (!finished_) StartWrite(&chunk_);
}

void FileStream::OnWriteDone(bool ok) {
  if (!ok) return End(absl::CancelledError("the client went away"));
  auto self = shared_from_this();
  engine_->pool().Post([self] { self->Next(); });
}

void FileStream::End(const absl::Status& why) {
  std::lock_guard<std::recursive_mutex> lock(mutex_);
  if (finished_) return;
  finished_ = true;
  Finish(ToGrpc(why));
}

void FileStream::OnGone(std::function<void()> gone) {
  std::lock_guard<std::recursive_mutex> lock(mutex_);
  gone_ = std::move(gone);
}

void FileStream::OnCancel() {
  std::function<void()> gone;
  {
    std::lock_guard<std::recursive_mutex> lock(mutex_);
    gone = std::exchange(gone_, nullptr);
  }
  if (gone) gone();
  End(absl::CancelledError("the client went away"));
}

void FileStream::OnDone() {
  auto self = std::exchange(self_, nullptr);
  calls_->Remove(self);
}

}  // namespace selvage
