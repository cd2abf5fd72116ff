#include "client/loom/stack_calls.h"

#include <algorithm>
#include <cstdint>
#include <memory>

#include "absl/strings/str_cat.h"
#include "client/loom/look_request.h"
#include "client/loom/requests.h"
#include "proto/digest.h"
#include "proto/status.h"

namespace selvage::client {

void StackCalls::Poll() {
  if (!document_->Poll()) return;
  Tell("disk");
  Check();
}

void StackCalls::Check() {
  if (document_->state() != Document::kGood) return;
  if (checking_) {
    check_again_ = true;
    return;
  }
  checking_ = true;
  check_again_ = false;
  auto request = std::make_shared<CheckRequest>();
  *request->mutable_stack() = document_->good()->stack();
  const bool runs = daemon_->calls().Run([this, request, digest = document_->digest()] {
    auto reply = std::make_shared<CheckReply>();
    Connection& connection = daemon_->connection();
    StoppableCall call(daemon_->ending(), connection.Call(60));
    const absl::Status status = connection.Explain(connection.jobs().Check(call.get(), *request, reply.get()));
    daemon_->Post([this, reply, status, digest] {
      checking_ = false;
      daemon_->Note(status);
      if (status.ok()) {
        document_->SetDaemonFaults(digest, reply->error());
        if (digest == document_->digest()) events_->Tell("faults", "faults", FaultsEvent());
      }
      if (check_again_) Check();
    });
  });
  if (!runs) checking_ = false;
}

void StackCalls::Opened() {
  Tell("start");
  Check();
}

void StackCalls::SendState(EventStream* stream) const {
  stream->Send("stack", "stack", StackEvent("start"));
  stream->Send("faults", "faults", FaultsEvent());
}

void StackCalls::Tell(const char* by) {
  events_->Tell("stack", "stack", StackEvent(by));
  events_->Tell("faults", "faults", FaultsEvent());
}

std::string StackCalls::StackEvent(const char* by) const {
  static const char* const kWords[] = {"none", "good", "faulty", "unreadable"};
  return JsonWriter()
      .Object()
      .Text("digest", document_->digest())
      .Text("state", kWords[document_->state()])
      .Text("by", by)
      .EndObject()
      .Take();
}

std::string StackCalls::FaultsEvent() const {
  JsonWriter out;
  out.Object().Text("digest", document_->digest()).Bool("checked", document_->checked()).Key("faults");
  document_->WriteFaults(document_->faults(), &out);
  return out.EndObject().Take();
}

void StackCalls::Get(const Exchange& exchange) {
  HttpAnswer answer = JsonAnswer(document_->Json());
  answer.etag = Sha256(answer.body).Hex();
  exchange->Answer(std::move(answer));
}

void StackCalls::Curves(const Exchange& exchange) const {
  const auto frame = WholeParameter(exchange->request(), "frame");
  if (!frame.ok() || !*frame) return exchange->Answer(ErrorAnswer(400, "\"frame\" must be a whole number"));
  if (document_->good() == nullptr) return exchange->Answer(ErrorAnswer(422, "there is no stack to read"));
  const auto json = CurvesJson(document_->good()->stack(), exchange->request().Parameter("mask"),
                               static_cast<int>(std::clamp<int64_t>(**frame, INT32_MIN, INT32_MAX)));
  exchange->Answer(json.ok() ? JsonAnswer(*json) : ErrorAnswer(json.status()));
}

void StackCalls::Edit(const Exchange& exchange) {
  Change(
      exchange, [this](const JsonMembers& request) { return document_->Edit(request); }, "edit");
}

void StackCalls::Undo(const Exchange& exchange) { TakeBack(exchange, &Document::Undo); }
void StackCalls::Redo(const Exchange& exchange) { TakeBack(exchange, &Document::Redo); }

void StackCalls::TakeBack(const Exchange& exchange, absl::Status (Document::*method)(const std::string&)) {
  Change(
      exchange,
      [this, method](const JsonMembers& request) -> absl::Status {
        ASSIGN_OR_RETURN(const std::string digest, NeededText(request, "digest"));
        return (document_->*method)(digest);
      },
      "undo");
}

void StackCalls::Change(const Exchange& exchange, const std::function<absl::Status(const JsonMembers&)>& change,
                        const char* by) {
  const auto request = ReadMembers(exchange);
  if (!request) return;
  const std::string before = document_->digest();
  const absl::Status done = change(*request);
  if (document_->digest() != before) {
    Tell(done.ok() ? by : "disk");
    Check();
  }
  if (done.ok()) return Get(exchange);
  HttpAnswer answer = ErrorAnswer(done);
  if (answer.status == 409) {
    // The present stack comes along.
    answer.body.pop_back();
    absl::StrAppend(&answer.body, ",\"stack\":", document_->Json(), "}");
  }
  exchange->Answer(std::move(answer));
}

}  // namespace selvage::client
