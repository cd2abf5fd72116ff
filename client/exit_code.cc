#include "client/exit_code.h"

#include "absl/strings/cord.h"

namespace selvage::client {
namespace {

constexpr char kUsagePayload[] = "selvage/usage", kDifferencePayload[] = "selvage/difference";

}  // namespace

const char kExitCodeHelp[] = R"(Exit codes:
  0    done
  1    the stack or the request is wrong; the message says where
  2    the command line is wrong
  3    no daemon answers
  4    the job failed or was cancelled (a damaged plate, for example)
  5    a file could not be written, or may not be replaced
  6    a fault inside the daemon, or it has no room left
  7    the daemon does not take your token, or it does not allow this (see `selvage whoami`)
  8    verify: files are not as they were delivered
  130  stopped with Ctrl-C; a job that was watched goes on)";

absl::Status UsageError(const std::string& text) {
  absl::Status status = absl::InvalidArgumentError(text);
  status.SetPayload(kUsagePayload, absl::Cord());
  return status;
}

absl::Status DifferenceFound(const std::string& text) {
  absl::Status status = absl::FailedPreconditionError(text);
  status.SetPayload(kDifferencePayload, absl::Cord());
  return status;
}

bool IsDifference(const absl::Status& status) { return status.GetPayload(kDifferencePayload).has_value(); }

absl::Status NotAllowed(const std::string& text) { return absl::UnauthenticatedError(text); }

ExitCode ExitCodeOf(const absl::Status& status) {
  if (status.GetPayload(kUsagePayload)) return kUsage;
  if (IsDifference(status)) return kDiffers;
  switch (status.code()) {
    case absl::StatusCode::kOk:
      return kOk;
    case absl::StatusCode::kUnavailable:
    case absl::StatusCode::kDeadlineExceeded:
      return kNoDaemon;
    case absl::StatusCode::kAborted:
      return kJobFailed;
    case absl::StatusCode::kUnauthenticated:
      return kNotAllowed;
    case absl::StatusCode::kPermissionDenied:
      return kCannotWrite;
    case absl::StatusCode::kInternal:
    case absl::StatusCode::kResourceExhausted:
    case absl::StatusCode::kDataLoss:
    case absl::StatusCode::kUnknown:
    case absl::StatusCode::kUnimplemented:
      return kDaemonFault;
    default:
      return kRefused;
  }
}

}  // namespace selvage::client
