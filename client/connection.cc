#include "client/connection.h"

#include <fcntl.h>
#include <grpcpp/grpcpp.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstring>
#include <filesystem>
#include <optional>
#include <thread>

#include "absl/strings/str_cat.h"
#include "proto/digest.h"
#include "proto/status.h"

namespace selvage::client {

Connection::Connection(const Globals& globals) : server_(globals.server) {
  if (server_.empty()) {
    const char* from_environment = std::getenv("SELVAGE_SERVER");
    server_ = from_environment != nullptr && *from_environment != 0 ? from_environment : kDefaultServer;
  }
  grpc::ChannelArguments arguments;
  // A look at 8K is a few MiB, but it travels in chunks of 1 MiB.
  arguments.SetMaxReceiveMessageSize(16 << 20);
  arguments.SetInt(GRPC_ARG_KEEPALIVE_TIME_MS, 20'000);
  arguments.SetInt(GRPC_ARG_KEEPALIVE_PERMIT_WITHOUT_CALLS, 1);
  // The daemon is on this machine: a proxy of the environment is not for it.
  arguments.SetInt(GRPC_ARG_ENABLE_HTTP_PROXY, 0);
  channel_ = grpc::CreateCustomChannel(server_, grpc::InsecureChannelCredentials(), arguments);
  jobs_ = JobService::NewStub(channel_);
}

std::unique_ptr<grpc::ClientContext> Connection::Call(int seconds) const {
  auto context = Stream();
  context->set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(seconds));
  return context;
}

std::unique_ptr<grpc::ClientContext> Connection::Stream() const { return std::make_unique<grpc::ClientContext>(); }

absl::Status Connection::Explain(const grpc::Status& status) const {
  if (status.ok()) return absl::OkStatus();
  if (status.error_code() == grpc::StatusCode::UNAVAILABLE) {
    return absl::UnavailableError(
        absl::StrCat("no answer from the daemon at ", server_,
                     " (start it with `selvaged`, or name another with --server): ", status.error_message()));
  }
  if (status.error_code() == grpc::StatusCode::DEADLINE_EXCEEDED) {
    return absl::DeadlineExceededError(absl::StrCat("the daemon at ", server_, " took too long to answer"));
  }
  return absl::Status(static_cast<absl::StatusCode>(status.error_code()), status.error_message());
}

absl::StatusOr<std::string> ResolveJob(Connection& connection, const std::string& job) {
  if (job != "last") return job;
  ListJobsRequest request;
  request.set_limit(1);
  ListJobsReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().ListJobs(context.get(), request, &reply)));
  if (reply.job_size() == 0) return absl::NotFoundError("the daemon has no jobs yet; `selvage submit` makes one");
  return reply.job(0).job_id();
}

absl::StatusOr<ReceivedFile> ReceiveFile(const Connection& connection, const OpenChunks& open) {
  ReceivedFile file;
  std::optional<Digest> digest;
  uint64_t size = 0;
  bool known = false;
  for (int attempt = 0;; ++attempt) {
    auto context = connection.Stream();
    auto stream = open(context.get(), file.bytes.size());
    FileChunk chunk;
    while (stream->Read(&chunk)) {
      if (chunk.error_size() > 0) *file.errors.Add() = chunk.error(0);
      for (int i = 1; i < chunk.error_size(); ++i) *file.errors.Add() = chunk.error(i);
      if (chunk.warning_size() > 0) file.warnings = chunk.warning();
      if (chunk.digest().size() == 32) {
        digest = Digest::FromBytes(chunk.digest());
        size = chunk.size();
        known = true;
      }
      if (chunk.offset() != file.bytes.size()) {
        context->TryCancel();
        break;
      }
      file.bytes += chunk.data();
    }
    const grpc::Status status = stream->Finish();
    if (!file.errors.empty()) return file;
    if (status.ok() && known && file.bytes.size() == size) break;
    if (status.ok() || status.error_code() != grpc::StatusCode::UNAVAILABLE || attempt == 3) {
      RETURN_IF_ERROR(connection.Explain(status));
      return absl::DataLossError(absl::StrCat("received ", file.bytes.size(), " of ", size, " bytes"));
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(200 << attempt));
  }
  if (!digest || Sha256(file.bytes) != *digest) {
    return absl::DataLossError("the bytes received do not match their digest; fetch again");
  }
  return file;
}

absl::Status WriteFileAtomically(const std::string& path, const std::string& bytes) {
  const auto fail = [&](const char* what) {
    return absl::PermissionDeniedError(absl::StrCat(path, ": ", what, ": ", std::strerror(errno)));
  };
  const std::filesystem::path target(path);
  std::error_code error;
  if (target.has_parent_path()) std::filesystem::create_directories(target.parent_path(), error);
  if (error) {
    errno = error.value();
    return fail("cannot make the folder");
  }
  std::string temporary = absl::StrCat(path, ".", getpid(), ".tmp");
  const int fd = ::open(temporary.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
  if (fd < 0) return fail("cannot write");
  size_t done = 0;
  while (done < bytes.size()) {
    const ssize_t n = ::write(fd, bytes.data() + done, bytes.size() - done);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) {
      const absl::Status status = fail("cannot write");
      ::close(fd);
      ::unlink(temporary.c_str());
      return status;
    }
    done += static_cast<size_t>(n);
  }
  const bool synced = ::fsync(fd) == 0;
  const bool closed = ::close(fd) == 0;
  if (!synced || !closed || ::rename(temporary.c_str(), path.c_str()) != 0) {
    const absl::Status status = fail("cannot write");
    ::unlink(temporary.c_str());
    return status;
  }
  const std::string folder = target.has_parent_path() ? target.parent_path().string() : ".";
  if (const int dir = ::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC); dir >= 0) {
    ::fsync(dir);
    ::close(dir);
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
