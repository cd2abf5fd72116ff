#include "client/connection.h"

#include <grpcpp/grpcpp.h>
#include <chrono>
#include <cstdlib>
#include <optional>
#include <thread>

#include "absl/strings/str_cat.h"
#include "client/exit_code.h"
#include "client/owner.h"
#include "proto/address.h"
#include "proto/digest.h"
#include "proto/door/certificate.h"
#include "proto/status.h"

namespace selvage::client {

Connection::Connection(const Globals& globals) {
  absl::StatusOr<Route> route = FindRoute(globals.server);
  if (route.ok()) {
    route_ = *std::move(route);
  } else {
    lost_ =
        absl::IsInvalidArgument(route.status()) ? UsageError(std::string(route.status().message())) : route.status();
  }
  Open();
}

Connection::Connection(Route route) : route_(std::move(route)) { Open(); }

void Connection::Open() {
  grpc::ChannelArguments arguments;
  // A look at 8K is a few MiB, but it travels in chunks of 1 MiB.
  arguments.SetMaxReceiveMessageSize(16 << 20);
  arguments.SetInt(GRPC_ARG_KEEPALIVE_TIME_MS, 20'000);
  arguments.SetInt(GRPC_ARG_KEEPALIVE_PERMIT_WITHOUT_CALLS, 1);
  // A daemon that is back is found again within two seconds.
  arguments.SetInt(GRPC_ARG_INITIAL_RECONNECT_BACKOFF_MS, 250);
  arguments.SetInt(GRPC_ARG_MAX_RECONNECT_BACKOFF_MS, 2000);
  // Without credentials all calls end at once, and Explain says why.
  channel_ = lost_.ok() ? OpenChannel(route_, arguments) : grpc::CreateChannel("", nullptr);
  jobs_ = JobService::NewStub(channel_);
  door_ = DoorService::NewStub(channel_);
}

std::string Connection::owner() const { return route_.tls ? route_.known.owner() : Owner(); }

std::unique_ptr<grpc::ClientContext> Connection::Call(int seconds) const {
  auto context = Stream();
  context->set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(seconds));
  return context;
}

std::unique_ptr<grpc::ClientContext> Connection::Stream() const { return std::make_unique<grpc::ClientContext>(); }

namespace {

// OK: it is known no better than gRPC says.
absl::Status WhyNoAnswer(const Route& route) {
  if (route.tls) {
    const absl::Status s = Diagnose(route);
    return absl::IsUnavailable(s) ? absl::OkStatus() : s;
  }
  const absl::StatusOr<Address> address = ParseAddress(route.address);
  if (!address.ok() || !AskForCertificates(address->host, address->port, 2).ok()) return absl::OkStatus();
  return absl::FailedPreconditionError(absl::StrCat(
      "the daemon at ", route.address, " asks for TLS and a token: `selvage connect ", route.address, "`"));
}

}  // namespace

absl::Status Connection::Explain(const grpc::Status& status) const {
  if (status.ok()) return absl::OkStatus();
  if (!lost_.ok()) return lost_;
  const std::string& server = route_.address;
  if (status.error_code() == grpc::StatusCode::UNAVAILABLE) {
    RETURN_IF_ERROR(WhyNoAnswer(route_));
    return absl::UnavailableError(
        absl::StrCat("no answer from the daemon at ", server,
                     " (start it with `selvaged`, or name another with --server): ", status.error_message()));
  }
  if (status.error_code() == grpc::StatusCode::DEADLINE_EXCEEDED) {
    return absl::DeadlineExceededError(absl::StrCat("the daemon at ", server, " did not answer in time"));
  }
  const auto code = static_cast<absl::StatusCode>(status.error_code());
  if (code == absl::StatusCode::kUnauthenticated || code == absl::StatusCode::kPermissionDenied) {
    return NotAllowed(status.error_message());
  }
  if (code == absl::StatusCode::kUnimplemented) {
    return absl::UnimplementedError(absl::StrCat("the daemon at ", server, " is of another version than this client (",
                                                 SELVAGE_VERSION, "): ", status.error_message()));
  }
  return absl::Status(code, status.error_message());
}

absl::StatusOr<WhoAmIReply> AskWhoIAm(Connection& connection) {
  WhoAmIReply reply;
  auto context = connection.Call(30);
  RETURN_IF_ERROR(connection.Explain(connection.door().WhoAmI(context.get(), WhoAmIRequest(), &reply)));
  return reply;
}

std::string WhoText(const WhoAmIReply& reply) {
  const std::string role = RoleText(reply.role());
  if (reply.name().empty()) return absl::StrCat("this machine, ", role);
  return absl::StrCat(reply.name(), ", ", role,
                      reply.expires_unix_s() == 0 ? "" : ", until " + DateText(reply.expires_unix_s()));
}

absl::StatusOr<std::string> ResolveJob(Connection& connection, const std::string& job) {
  if (job != "last") return job;
  ListJobsRequest request;
  request.set_limit(1);
  request.set_owner(connection.owner());
  ListJobsReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().ListJobs(context.get(), request, &reply)));
  if (reply.job_size() == 0) {
    return absl::NotFoundError(absl::StrCat("the daemon has no job of yours (", connection.owner(),
                                            "); `selvage submit` makes one, `selvage jobs` lists everybody's"));
  }
  return reply.job(0).job_id();
}

absl::StatusOr<ReceivedFile> ReceiveFile(const Connection& connection, const OpenChunks& open, Stopper* stopper) {
  ReceivedFile file;
  std::optional<Digest> digest;
  uint64_t size = 0;
  bool known = false;
  for (int attempt = 0;; ++attempt) {
    const StoppableCall context(stopper, connection.Stream());
    auto stream = open(context.get(), file.bytes.size());
    FileChunk chunk;
    while (stream->Read(&chunk)) {
      if (chunk.error_size() > 0) *file.errors.Add() = chunk.error(0);
      for (int i = 1; i < chunk.error_size(); ++i) *file.errors.Add() = chunk.error(i);
      if (chunk.warning_size() > 0) file.warnings = chunk.warning();
      if (chunk.has_origin()) file.origin = chunk.origin();
      if (chunk.proxy() > 0) file.proxy = chunk.proxy();
      if (chunk.digest().size() == 32) {
        digest = Digest::FromBytes(chunk.digest());
        size = chunk.size();
        known = true;
      }
      if (chunk.offset() != file.bytes.size()) {
        context.get()->TryCancel();
        break;
      }
      file.bytes += chunk.data();
    }
    const grpc::Status status = stream->Finish();
    if (!file.errors.empty()) return file;
    if (status.ok() && known && file.bytes.size() == size) break;
    if (status.ok() || status.error_code() != grpc::StatusCode::UNAVAILABLE || attempt == 3) {
      RETURN_IF_ERROR(connection.Explain(status));
      return absl::DataLossError(absl::StrCat("only ", file.bytes.size(), " of ", size, " bytes arrived; try again"));
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(200 << attempt));
  }
  if (!digest || Sha256(file.bytes) != *digest) {
    return absl::DataLossError("the bytes that arrived are damaged (they do not match their digest); try again");
  }
  return file;
}

}  // namespace selvage::client
