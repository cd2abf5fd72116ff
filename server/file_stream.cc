#include "server/file_stream.h"

#include <utility>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "proto/status.h"

namespace selvage {
namespace {

// Enough for the frames that are fetched at the same time.
constexpr size_t kKnownDigests = 1024;

}  // namespace

absl::StatusOr<Digest> BlobDigests::Of(const BlobRef& blob, TileStore& tiles) {
  {
    MutexLock lock(&mutex_);
    auto it = known_.find(blob.key);
    if (it != known_.end()) return it->second;
  }
  Sha256Stream hash;
  for (size_t i = 0; i < TileCount(blob.manifest); ++i) {
    ASSIGN_OR_RETURN(const std::string bytes, ReadChunk(blob.manifest, i, tiles));
    hash.Update(bytes);
  }
  const Digest digest = hash.Finish();
  MutexLock lock(&mutex_);
  if (known_.size() >= kKnownDigests) known_.clear();
  known_[blob.key] = digest;
  return digest;
}

std::shared_ptr<FileStream> FileStream::Start(Engine* engine, OpenCalls* calls, const grpc::ServerContextBase& context,
                                              BlobDigests* digests) {
  std::shared_ptr<FileStream> stream(new FileStream(engine, calls, digests));
  stream->Open(context);
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
  engine_->pool().Post([self = self()] { self->Next(); });
}

void FileStream::Refuse(const std::vector<StackError>& errors) {
  for (const StackError& e : errors) *chunk_.add_error() = e;
  offset_ = blob_.manifest.blob_size();
  first_ = false;
  IfOpen([this] { StartWrite(&chunk_); });
}

// On a thread of the pool.
void FileStream::Next() {
  if (offset_ >= blob_.manifest.blob_size() && !first_) {
    engine_->Fetched(blob_.key);
    return End(absl::OkStatus());
  }
  const absl::Status filled = Fill();
  if (absl::IsDataLoss(filled)) engine_->ReportLost(blob_.key);
  if (!filled.ok()) return End(filled);
  IfOpen([this] { StartWrite(&chunk_); });
}

absl::Status FileStream::Fill() {
  const uint64_t size = blob_.manifest.blob_size();
  chunk_.Clear();
  chunk_.set_offset(offset_);
  if (std::exchange(first_, false)) {
    ASSIGN_OR_RETURN(const Digest digest, digests_->Of(blob_, engine_->tiles()));
    chunk_.set_digest(digest.str());
    chunk_.set_size(size);
    chunk_.mutable_warning()->Assign(warnings_.begin(), warnings_.end());
    if (proxy_ > 1) chunk_.set_proxy(proxy_);
    if (origin_) *chunk_.mutable_origin() = *std::exchange(origin_, std::nullopt);
  }
  if (offset_ >= size) return absl::OkStatus();
  ASSIGN_OR_RETURN(std::string bytes, ReadChunk(blob_.manifest, offset_ / kBlobChunkBytes, engine_->tiles()));
  const size_t skip = offset_ % kBlobChunkBytes;
  if (skip >= bytes.size()) return absl::DataLossError("the blob ends early");
  bytes.erase(0, skip);
  offset_ += bytes.size();
  chunk_.set_data(std::move(bytes));
  return absl::OkStatus();
}

void FileStream::OnWriteDone(bool ok) {
  if (!ok) return End(absl::CancelledError("the client went away"));
  engine_->pool().Post([self = self()] { self->Next(); });
}

void FileStream::WhenGone(std::function<void()> gone) {
  MutexLock lock(&mutex_);
  gone_ = std::move(gone);
}

void FileStream::OnGone() {
  std::function<void()> gone;
  {
    MutexLock lock(&mutex_);
    gone = std::exchange(gone_, nullptr);
  }
  if (gone) gone();
}

}  // namespace selvage
