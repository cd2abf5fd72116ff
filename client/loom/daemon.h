// The daemon as the loom has it: whether it answers, and calls of it. Calls wait on threads of
// their own; everything else is for the loom's thread, to which Post leads back.
#pragma once

#include <boost/asio/io_context.hpp>
#include <functional>
#include <memory>
#include <string>

#include "client/connection.h"
#include "client/loom/answers.h"
#include "client/loom/events.h"
#include "client/loom/http_server.h"
#include "client/loom/work_pool.h"
#include "client/stopper.h"

namespace selvage::client {

// What the daemon answers, in the codes of our own answers.
absl::Status FromDaemon(const absl::Status& status);

class Daemon {
 public:
  Daemon(boost::asio::io_context* context, Connection* connection, Events* events)
      : context_(context), connection_(connection), events_(events) {}

  Connection& connection() { return *connection_; }
  // Ends what is asked of the daemon when the loom ends.
  Stopper* ending() { return &ending_; }
  // From any thread: `then` on the loom's.
  void Post(std::function<void()> then);

  // Pools by what waits in them, so that pictures do not wait behind jobs that are followed.
  WorkPool& looks() { return looks_; }
  WorkPool& calls() { return calls_; }
  WorkPool& watches() { return watches_; }

  // Whether it answers; told to all pages when it changes. `status`: of a call that any daemon answers.
  void Note(const absl::Status& status);
  // Of a call that it may refuse: a refusal says nothing of the daemon as such.
  void NoteCall(const absl::Status& status);
  // Called when it answers again.
  void WhenBack(std::function<void()> then) { when_back_ = std::move(then); }
  // Where nothing has been asked yet, nothing is sent.
  void SendState(EventStream* stream) const;

  // One call for a request of the page, which ends when the page goes away. `then` on the loom's
  // thread.
  template <class Request, class Reply>
  void Call(const Exchange& exchange,
            grpc::Status (JobService::Stub::*method)(grpc::ClientContext*, const Request&, Reply*), Request request,
            std::function<void(const absl::Status&, const Reply&)> then) {
    auto stopper = std::make_shared<Stopper>();
    exchange->WhenGone([stopper] { stopper->Stop(); });
    auto shared = std::make_shared<Request>(std::move(request));
    const bool runs = calls_.Run([this, method, shared, then, stopper] {
      auto reply = std::make_shared<Reply>();
      absl::Status status;
      {
        StoppableCall call(stopper.get(), connection_->Call());
        const StoppableCall end(&ending_, call);
        status = connection_->Explain((connection_->jobs().*method)(call.get(), *shared, reply.get()));
      }
      Post([this, reply, status, then] {
        if (!absl::IsCancelled(status)) NoteCall(status);
        then(status.ok() ? status : FromDaemon(status), *reply);
      });
    });
    if (!runs) Busy(exchange);
  }

  // A call whose reply becomes the answer.
  template <class Request, class Reply>
  void Ask(const Exchange& exchange,
           grpc::Status (JobService::Stub::*method)(grpc::ClientContext*, const Request&, Reply*), Request request,
           std::function<HttpAnswer(const Reply&)> answer) {
    Call<Request, Reply>(exchange, method, std::move(request),
                         [exchange, answer](const absl::Status& status, const Reply& reply) {
                           exchange->Answer(status.ok() ? answer(reply) : ErrorAnswer(status));
                         });
  }

  static void Busy(const Exchange& exchange);

 private:
  std::string Event() const;

  boost::asio::io_context* const context_;
  Connection* const connection_;
  Events* const events_;
  std::string state_, message_;
  std::function<void()> when_back_;
  Stopper ending_;
  // Last, so that their threads end before what they use.
  static constexpr size_t kMostWaiting = 400, kMostLooksWaiting = 48, kMostWatchesWaiting = 64;
  WorkPool looks_{12, kMostLooksWaiting}, calls_{6, kMostWaiting}, watches_{4, kMostWatchesWaiting};
};

}  // namespace selvage::client
