#include "client/report/measuring.h"

#include "proto/status.h"

namespace selvage::client {

Measuring::Measuring(Connection* connection, const Stack& stack, const MeasureMatte& measure, Refuse refuse,
                     ShotReport* report)
    : connection_(connection), refuse_(std::move(refuse)) {
  *request_.mutable_stack() = stack;
  *request_.mutable_measure() = measure;
  for (PassReport& pass : *report->mutable_pass()) {
    for (PassReport::Frame& frame : *pass.mutable_frame()) places_.push_back({&pass.pass(), &frame});
  }
}

absl::Status Measuring::Run() {
  return AskMany(
      *connection_, places_.size(), [this](size_t i) { return Ask(places_[i], nullptr); }, "frames measured");
}

absl::Status Measuring::Run(const Progress& progress, Stopper* stopper) {
  return AskMany(
      *connection_, places_.size(), [=, this](size_t i) { return Ask(places_[i], stopper); }, progress, stopper);
}

absl::Status Measuring::Ask(const Place& place, Stopper* stopper) const {
  LookRequest request = request_;
  request.set_pass(*place.pass);
  request.set_frame(place.frame->frame());
  const auto open = [&](grpc::ClientContext* context, uint64_t) { return connection_->jobs().Look(context, request); };
  const Annotate where(*place.pass, " frame ", place.frame->frame());
  ASSIGN_OR_RETURN(const ReceivedFile received, ReceiveFile(*connection_, open, stopper), where);
  RETURN_IF_ERROR(refuse_(received.errors), where);
  if (place.frame->mutable_figures()->ParseFromString(received.bytes)) return absl::OkStatus();
  return where(absl::DataLossError("the daemon sent no figures"));
}

}  // namespace selvage::client
