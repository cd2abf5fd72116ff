// The remote store against a service of our own over real gRPC.
#include "cache/remote_tile_store.h"

#include <grpcpp/create_channel.h>
#include <grpcpp/server.h>
#include <grpcpp/server_builder.h>

#include <algorithm>
#include <atomic>

#include "cache/memory_tile_store.h"
#include "proto/cache.grpc.pb.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

constexpr size_t kMebibyte = 1 << 20;

class Service final : public CacheService::Service {
 public:
  grpc::Status FindMissing(grpc::ServerContext*, const FindMissingRequest* request, FindMissingReply* reply) override {
    largest_list = std::max<size_t>(largest_list, request->digest_size());
    for (const std::string& raw : request->digest()) {
      const Digest d = *Digest::FromBytes(raw);
      if (!store.FindMissing({&d, 1}).value().empty()) reply->add_digest(raw);
    }
    return grpc::Status::OK;
  }
  grpc::Status WriteTiles(grpc::ServerContext*, grpc::ServerReader<WriteTilesRequest>* reader,
                          WriteTilesReply* reply) override {
    WriteTilesRequest request;
    while (reader->Read(&request)) {
      ++writes;
      largest_message = std::max(largest_message.load(), request.ByteSizeLong());
      for (const TileBytes& t : request.tile()) {
        if (refuse) return {grpc::StatusCode::RESOURCE_EXHAUSTED, "full"};
        const StoredTile tile{*Digest::FromBytes(t.digest()), t.data()};
        (void)store.Put({&tile, 1});
        reply->set_stored(reply->stored() + 1);
      }
    }
    return grpc::Status::OK;
  }
  grpc::Status ReadTiles(grpc::ServerContext*, const ReadTilesRequest* request,
                         grpc::ServerWriter<ReadTilesReply>* writer) override {
    largest_list = std::max<size_t>(largest_list, request->digest_size());
    ReadTilesReply reply;
    for (const std::string& raw : request->digest()) {
      ++read;
      const Digest d = *Digest::FromBytes(raw);
      const auto found = store.Get({&d, 1}).value();
      if (!found[0]) {
        reply.add_missing(raw);
        continue;
      }
      TileBytes* t = reply.add_tile();
      t->set_digest(raw);
      t->set_data(*found[0]);
      if (reply.ByteSizeLong() > kMebibyte) {
        writer->Write(reply);
        reply.Clear();
      }
    }
    writer->Write(reply);
    return grpc::Status::OK;
  }

  MemoryTileStore store;
  std::atomic<size_t> largest_list{0}, largest_message{0};
  std::atomic<int> writes{0}, read{0};
  std::atomic<bool> refuse{false};
};

class RemoteTileStoreTest : public testing::Test {
 protected:
  void SetUp() override {
    int port = 0;
    grpc::ServerBuilder builder;
    builder.AddListeningPort("127.0.0.1:0", grpc::InsecureServerCredentials(), &port);
    builder.RegisterService(&service_);
    server_ = builder.BuildAndStart();
    ASSERT_NE(server_, nullptr);
    store_ = NewRemoteTileStore(
        grpc::CreateChannel("127.0.0.1:" + std::to_string(port), grpc::InsecureChannelCredentials()));
  }
  void TearDown() override { server_->Shutdown(); }

  Service service_;
  std::unique_ptr<grpc::Server> server_;
  std::unique_ptr<TileStore> store_;
};

TEST_F(RemoteTileStoreTest, TilesGoAndComeInMessagesOfAboutAMebibyte) {
  std::vector<StoredTile> tiles;
  for (int i = 0; i < 60; ++i) tiles.push_back(NoiseTile(i, i == 7 ? kMaxTileContent : 100000));
  ASSERT_OK(store_->Put(tiles));
  ASSERT_OK(store_->MakeDurable());
  EXPECT_EQ(service_.store.count(), tiles.size());
  EXPECT_GE(service_.writes, 6);
  EXPECT_LE(service_.largest_message, kMebibyte + 4096);
  const auto found = store_->Get(DigestsOf(tiles));
  ASSERT_OK(found.status());
  for (size_t i = 0; i < tiles.size(); ++i) ASSERT_TRUE((*found)[i] == tiles[i].data) << i;
}

TEST_F(RemoteTileStoreTest, MissingIsMissingAndRepeatsTravelOnce) {
  const StoredTile tile = NoiseTile(1);
  ASSERT_OK(store_->Put({&tile, 1}));
  const std::vector<Digest> asked{tile.digest, Sha256("none"), tile.digest};
  const auto found = store_->Get(asked);
  ASSERT_OK(found.status());
  EXPECT_EQ((*found)[0], tile.data);
  EXPECT_EQ((*found)[1], std::nullopt);
  EXPECT_EQ((*found)[2], tile.data);
  EXPECT_EQ(service_.read, 2);
  EXPECT_EQ(store_->FindMissing(asked).value(), std::vector<Digest>{Sha256("none")});
}

TEST_F(RemoteTileStoreTest, LongListsAreSplitAtTheLimitOfTheService) {
  std::vector<Digest> digests;
  for (int i = 0; i < 20000; ++i) digests.push_back(Sha256(std::to_string(i)));
  EXPECT_EQ(store_->FindMissing(digests).value(), digests);
  const auto found = store_->Get(digests);
  ASSERT_OK(found.status());
  EXPECT_EQ(found->size(), 20000u);
  EXPECT_EQ(service_.largest_list, 16384u);
}

TEST_F(RemoteTileStoreTest, TheDaemonsRefusalKeepsItsCode) {
  service_.refuse = true;
  std::vector<StoredTile> tiles;
  for (int i = 0; i < 100; ++i) tiles.push_back(NoiseTile(i, 100000));
  EXPECT_TRUE(absl::IsResourceExhausted(store_->Put(tiles)));
}

TEST_F(RemoteTileStoreTest, ADaemonThatIsGoneIsUnavailable) {
  server_->Shutdown();
  const StoredTile tile = NoiseTile(1);
  EXPECT_TRUE(absl::IsUnavailable(store_->Put({&tile, 1})));
  EXPECT_TRUE(absl::IsUnavailable(store_->Get({&tile.digest, 1}).status()));
  EXPECT_TRUE(absl::IsUnavailable(store_->FindMissing({&tile.digest, 1}).status()));
}

}  // namespace
}  // namespace selvage
