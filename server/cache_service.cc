#include "server/cache_service.h"

#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/status.h"

namespace selvage {

namespace {

constexpr int kMaxDigests = 16'384;
// gRPC refuses messages over 4 MiB by default; 1 MiB was measured fastest.
constexpr size_t kMessageBytes = 1 << 20;
// Tiles read from the store at once: about one message of incompressible halves.
constexpr size_t kReadAtOnce = 8;

template <class Field>
absl::StatusOr<std::vector<Digest>> ParseDigests(const Field& field) {
  if (field.size() > kMaxDigests) {
    return absl::InvalidArgumentError(absl::StrCat(field.size(), " digests; at most ", kMaxDigests));
  }
  std::vector<Digest> digests;
  digests.reserve(static_cast<size_t>(field.size()));
  for (const std::string& raw : field) {
    const std::optional<Digest> d = Digest::FromBytes(raw);
    if (!d) return absl::InvalidArgumentError(absl::StrCat("a digest of ", raw.size(), " bytes; it must have 32"));
    digests.push_back(*d);
  }
  return digests;
}

class WriteCall final : public Call<grpc::ServerReadReactor<WriteTilesRequest>> {
 public:
  static WriteCall* Start(Engine* engine, OpenCalls* calls, const grpc::ServerContextBase& context,
                          WriteTilesReply* reply) {
    std::shared_ptr<WriteCall> call(new WriteCall(engine, calls, reply));
    call->Open(context);
    call->ReadNext();
    return call.get();
  }

 private:
  WriteCall(Engine* engine, OpenCalls* calls, WriteTilesReply* reply) : Call(calls), engine_(engine), reply_(reply) {}
  std::shared_ptr<WriteCall> self() { return std::static_pointer_cast<WriteCall>(shared_from_this()); }

  void ReadNext() {
    IfOpen([this] { StartRead(&request_); });
  }
  void OnReadDone(bool ok) override {
    if (!ok) return End(absl::OkStatus());
    engine_->pool().Post([self = self()] { self->Store(); });
  }
  // On the pool; no read is in flight meanwhile.
  void Store() {
    std::vector<StoredTile> tiles;
    for (TileBytes& t : *request_.mutable_tile()) {
      const std::optional<Digest> d = Digest::FromBytes(t.digest());
      if (!d) return End(absl::InvalidArgumentError("the digest of a tile must have 32 bytes"));
      tiles.push_back({*d, std::move(*t.mutable_data())});
    }
    if (absl::Status s = engine_->tiles().Put(tiles); !s.ok()) return End(s);
    stored_ += tiles.size();
    request_.Clear();
    ReadNext();
  }
  void OnEnd(const absl::Status& why) override {
    if (why.ok()) reply_->set_stored(stored_);
  }

  Engine* const engine_;
  WriteTilesReply* const reply_;
  // Touched by one thread at a time.
  WriteTilesRequest request_;
  uint64_t stored_ = 0;
};

class ReadCall final : public Call<grpc::ServerWriteReactor<ReadTilesReply>> {
 public:
  static ReadCall* Start(Engine* engine, OpenCalls* calls, const grpc::ServerContextBase& context,
                         const ReadTilesRequest& request) {
    std::shared_ptr<ReadCall> call(new ReadCall(engine, calls));
    call->Open(context);
    auto digests = ParseDigests(request.digest());
    if (!digests.ok()) {
      call->End(digests.status());
    } else {
      call->digests_ = *std::move(digests);
      engine->pool().Post([call] { call->Next(); });
    }
    return call.get();
  }

 private:
  ReadCall(Engine* engine, OpenCalls* calls) : Call(calls), engine_(engine) {}
  std::shared_ptr<ReadCall> self() { return std::static_pointer_cast<ReadCall>(shared_from_this()); }

  // On the pool; no write is in flight meanwhile.
  void Next() {
    reply_.Clear();
    size_t bytes = 0;
    while (at_ < digests_.size() && bytes < kMessageBytes) {
      const size_t end = std::min(digests_.size(), at_ + kReadAtOnce);
      const std::span<const Digest> some(&digests_[at_], end - at_);
      auto tiles = engine_->tiles().Get(some);
      if (!tiles.ok()) return End(tiles.status());
      for (size_t i = 0; i < some.size(); ++i) {
        if (!(*tiles)[i]) {
          reply_.add_missing(some[i].str());
          continue;
        }
        TileBytes* t = reply_.add_tile();
        t->set_digest(some[i].str());
        bytes += (*tiles)[i]->size();
        t->set_data(std::move(*(*tiles)[i]));
      }
      at_ = end;
    }
    if (reply_.tile().empty() && reply_.missing().empty()) return End(absl::OkStatus());
    IfOpen([this] { StartWrite(&reply_); });
  }
  void OnWriteDone(bool ok) override {
    if (!ok) return End(absl::CancelledError("the worker went away"));
    engine_->pool().Post([self = self()] { self->Next(); });
  }

  Engine* const engine_;
  // Touched by one thread at a time.
  std::vector<Digest> digests_;
  size_t at_ = 0;
  ReadTilesReply reply_;
};

}  // namespace

grpc::ServerUnaryReactor* CacheServiceImpl::FindMissing(grpc::CallbackServerContext* c,
                                                        const FindMissingRequest* request, FindMissingReply* reply) {
  auto* reactor = c->DefaultReactor();
  auto digests = ParseDigests(request->digest());
  if (!digests.ok()) {
    reactor->Finish(ToGrpc(digests.status()));
    return reactor;
  }
  engine_->pool().Post([engine = engine_, digests = *std::move(digests), reactor, reply] {
    auto missing = engine->tiles().FindMissing(digests);
    if (missing.ok()) {
      for (const Digest& d : *missing) reply->add_digest(d.str());
    }
    reactor->Finish(ToGrpc(missing.status()));
  });
  return reactor;
}

grpc::ServerReadReactor<WriteTilesRequest>* CacheServiceImpl::WriteTiles(grpc::CallbackServerContext* c,
                                                                         WriteTilesReply* reply) {
  return WriteCall::Start(engine_, calls_, *c, reply);
}

grpc::ServerWriteReactor<ReadTilesReply>* CacheServiceImpl::ReadTiles(grpc::CallbackServerContext* c,
                                                                      const ReadTilesRequest* request) {
  return ReadCall::Start(engine_, calls_, *c, *request);
}

}  // namespace selvage
