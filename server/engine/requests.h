// What clients ask for that needs a plan, besides jobs (jobs.h): checks, plans,
// explanations, looks. Knows all requests that are not over.
#pragma once

#include <memory>
#include <set>
#include <string>
#include <vector>

#include "proto/job.pb.h"
#include "server/engine/blob.h"
#include "server/engine/request.h"

namespace selvage {

struct LookResult {
  BlobRef blob;
  std::vector<StackError> errors;
  std::vector<JobWarning> warnings;
  // Stack.proxy that it was rendered at.
  uint32_t proxy = 1;
};

// On the strand, but for what says otherwise.
class Requests {
 public:
  explicit Requests(const RequestTools& with) : with_(with) {}

  // From any thread. A handle cancels it (harmless when it is over).
  using Handle = std::shared_ptr<Request>;
  Handle MakePlan(const PlanRequest& request, Then<PlanReply> then);
  Handle MakeWhy(const WhyRequest& request, Then<WhyReply> then);
  Handle MakeLook(const LookRequest& request, Then<LookResult> then);
  // Begins one of these. Errors: RESOURCE_EXHAUSTED too many wait; UNAVAILABLE the
  // daemon is going down.
  void Begin(const Handle& request);
  void Abandon(const Handle& request);

  // A check, for its own sake or before a submission. `given_up` is asked from
  // another thread.
  using Checked = std::function<void(absl::StatusOr<std::shared_ptr<const Round>>)>;
  void Check(std::shared_ptr<const Stack> stack, GivenUp given_up, Checked then);

  // One of a job. It goes when it is over.
  Handle Submit(std::shared_ptr<const Stack> stack, Request::Done done);
  void Ended(const Handle& request);

  // An invalidation is durable: what it reaches is planned again.
  void Heed(const InvalidateRequest& what);
  bool Renders(const std::string& stack_name) const;
  bool HasJobOf(const std::string& stack_name) const;
  std::set<std::string> LiveStacks() const;
  // Gives up what has been waiting for a worker for long; returns memory.
  void Tick();
  // The daemon is going down: who waits is told.
  void Stop();

 private:
  template <class Reply>
  Handle Make(Purpose purpose, const Stack& stack, ChooseTargets choose, Then<Reply> then,
              std::function<Reply(const Ending&)> reply);
  void AnswerLook(const Ending& ending, const Then<LookResult>& then);

  const RequestTools with_;
  std::set<Handle> live_;
  size_t checking_ = 0;
  double last_worker_seen_ = 0;
  // A large plan has gone since memory was returned.
  bool large_ = false;
};

}  // namespace selvage
