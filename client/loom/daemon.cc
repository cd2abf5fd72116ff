#include "client/loom/daemon.h"

#include <boost/asio/post.hpp>

#include "absl/strings/str_cat.h"
#include "client/loom/json_writer.h"

namespace selvage::client {

// What it refuses, and a rendering that failed, is no matter of the file or of newer looks; a
// call that it ended is one that it did not answer.
absl::Status FromDaemon(const absl::Status& status) {
  switch (status.code()) {
    case absl::StatusCode::kFailedPrecondition:
    case absl::StatusCode::kAborted:
    case absl::StatusCode::kAlreadyExists:
      return absl::InvalidArgumentError(status.message());
    case absl::StatusCode::kCancelled:
    case absl::StatusCode::kUnknown:
      return absl::UnavailableError(absl::StrCat("the daemon ended the call: ", status.message()));
    default:
      return status;
  }
}

void Daemon::Post(std::function<void()> then) { boost::asio::post(*context_, std::move(then)); }

void Daemon::Note(const absl::Status& status) {
  if (absl::IsCancelled(status)) return;
  const bool away = !status.ok();
  const std::string state = away ? "away" : "here";
  const std::string message = away ? std::string(status.message()) : "";
  if (state == state_ && message == message_) return;
  const bool back = state == "here" && state_ == "away";
  state_ = state;
  message_ = message;
  events_->Tell("daemon", "daemon", Event());
  if (back && when_back_) when_back_();
}

void Daemon::NoteCall(const absl::Status& status) {
  if (status.ok() || absl::IsUnavailable(status)) Note(status);
}

void Daemon::SendState(EventStream* stream) const {
  if (!state_.empty()) stream->Send("daemon", "daemon", Event());
}

std::string Daemon::Event() const {
  return JsonWriter()
      .Object()
      .Text("state", state_)
      .Text("server", connection_->route().address)
      .Text("message", message_)
      .EndObject()
      .Take();
}

void Daemon::Busy(const Exchange& exchange) {
  exchange->Answer(ErrorAnswer(429, "too much is asked of the daemon at once: wait a moment"));
}

}  // namespace selvage::client
