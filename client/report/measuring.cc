#include "client/report/measuring.h"

#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <thread>

#include "proto/status.h"

namespace selvage::client {
namespace {

// Frames asked for at once: two a slot, so that none waits for the next request.
constexpr uint32_t kFewestAtOnce = 4, kMostAtOnce = 64;

}  // namespace

Measuring::Measuring(Connection* connection, const Stack& stack, const MeasureMatte& measure, Refuse refuse,
                     ShotReport* report)
    : connection_(connection), stack_(stack), measure_(measure), refuse_(std::move(refuse)) {
  for (PassReport& pass : *report->mutable_pass()) {
    for (PassReport::Frame& frame : *pass.mutable_frame()) places_.push_back({&pass.pass(), &frame});
  }
}

uint32_t Measuring::AtOnce() {
  WorkersReply reply;
  auto context = connection_->Call();
  uint32_t slots = 0;
  if (connection_->jobs().Workers(context.get(), WorkersRequest(), &reply).ok()) {
    for (const auto& w : reply.worker()) slots += w.slots();
  }
  return std::clamp(2 * slots, kFewestAtOnce, kMostAtOnce);
}

absl::Status Measuring::Run() {
  // A log is no animation.
  const bool live = isatty(STDERR_FILENO);
  auto next = std::chrono::steady_clock::now();
  bool shown = false;
  const absl::Status status = Run(
      [&](size_t done, size_t of) {
        const auto now = std::chrono::steady_clock::now();
        if (!live && now < next) return;
        next = now + std::chrono::seconds(5);
        if (done == 0) return;
        std::fprintf(stderr, "%s%zu of %zu frames measured%s", live ? "\r" : "", done, of, live ? "" : "\n");
        shown = true;
      },
      nullptr);
  if (live && shown) std::fputs("\r\x1b[K", stderr);
  return status;
}

absl::Status Measuring::Run(const std::function<void(size_t done, size_t of)>& progress, Stopper* stopper) {
  stopper_ = stopper;
  const size_t at_once = std::min<size_t>(AtOnce(), places_.size());
  std::vector<std::thread> threads;
  for (size_t i = 0; i < at_once; ++i) threads.emplace_back([this] { Work(); });
  std::unique_lock<std::mutex> lock(mutex_);
  while (!an_end_.wait_for(lock, std::chrono::milliseconds(200), [&] { return ended_ == threads.size(); })) {
    progress(done_, places_.size());
  }
  lock.unlock();
  for (std::thread& t : threads) t.join();
  return failure_;
}

void Measuring::Work() {
  LookRequest request;
  *request.mutable_stack() = stack_;
  *request.mutable_measure() = measure_;
  while (true) {
    const size_t i = next_++;
    if (i >= places_.size() || i > failed_) break;
    if (stopper_ != nullptr && stopper_->stopped()) break;
    const absl::Status status = Ask(places_[i], &request);
    ++done_;
    if (status.ok()) continue;
    std::lock_guard<std::mutex> lock(mutex_);
    if (i > failed_) continue;
    failed_ = i;
    failure_ = status;
  }
  std::lock_guard<std::mutex> lock(mutex_);
  ++ended_;
  an_end_.notify_one();
}

absl::Status Measuring::Ask(const Place& place, LookRequest* request) {
  request->set_pass(*place.pass);
  request->set_frame(place.frame->frame());
  const auto open = [&](grpc::ClientContext* context, uint64_t) { return connection_->jobs().Look(context, *request); };
  const Annotate where(*place.pass, " frame ", place.frame->frame());
  ASSIGN_OR_RETURN(const ReceivedFile received, ReceiveFile(*connection_, open, stopper_), where);
  RETURN_IF_ERROR(refuse_(received.errors), where);
  if (place.frame->mutable_figures()->ParseFromString(received.bytes)) return absl::OkStatus();
  return where(absl::DataLossError("the daemon sent no figures"));
}

}  // namespace selvage::client
