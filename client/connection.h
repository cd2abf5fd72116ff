// The way to the daemon.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "client/globals.h"
#include "client/stopper.h"
#include "proto/door/door.grpc.pb.h"
#include "proto/door/route.h"
#include "proto/job.grpc.pb.h"

namespace selvage::client {

class Connection {
 public:
  // Where commands go: see FindRoute. A daemon that is not known is told by the first call.
  explicit Connection(const Globals& globals);
  explicit Connection(Route route);

  JobService::Stub& jobs() { return *jobs_; }
  DoorService::Stub& door() { return *door_; }
  const Route& route() const { return route_; }
  // Whose jobs are one's own: the name of the token; on this machine USER@HOST.
  std::string owner() const;
  // Unary calls end after this long; submitting 100,000 frames takes seconds.
  std::unique_ptr<grpc::ClientContext> Call(int seconds = 120) const;
  // Streams have no deadline of their own: the connection's keepalive ends them.
  std::unique_ptr<grpc::ClientContext> Stream() const;

  // In words that say what to do.
  absl::Status Explain(const grpc::Status& status) const;

 private:
  void Open();

  Route route_;
  // Why there is none.
  absl::Status lost_;
  std::shared_ptr<grpc::Channel> channel_;
  std::unique_ptr<JobService::Stub> jobs_;
  std::unique_ptr<DoorService::Stub> door_;
};

absl::StatusOr<WhoAmIReply> AskWhoIAm(Connection& connection);
// "rhea, submitter, until 2027-02-28 14:02 UTC"
std::string WhoText(const WhoAmIReply& reply);

// "last" becomes the id of one's own newest job.
// Errors: NOT_FOUND no job of this user.
absl::StatusOr<std::string> ResolveJob(Connection& connection, const std::string& job);

// Receives a whole file: checks offsets, size and SHA-256. `open` starts (or,
// after a broken connection, resumes at an offset) the stream.
using OpenChunks = std::function<std::unique_ptr<grpc::ClientReader<FileChunk>>(grpc::ClientContext*, uint64_t offset)>;
struct ReceivedFile {
  std::string bytes;
  google::protobuf::RepeatedPtrField<StackError> errors;
  google::protobuf::RepeatedPtrField<JobWarning> warnings;
  // Of a delivered file.
  FileOrigin origin;
  // Of a look: Stack.proxy that it was rendered at; 0: full size.
  uint32_t proxy = 0;
};
// Errors: CANCELLED by `stopper`, which may be null.
absl::StatusOr<ReceivedFile> ReceiveFile(const Connection& connection, const OpenChunks& open,
                                         Stopper* stopper = nullptr);

}  // namespace selvage::client
