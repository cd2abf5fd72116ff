// Jobs: their records, who watches them, and what is remembered of those that
// are over.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "proto/job.pb.h"
#include "server/engine/asker.h"
#include "server/engine/durations.h"
#include "server/engine/requests.h"

namespace selvage {

// On the strand, but for Load.
class Jobs {
 public:
  Jobs(const RequestTools& with, Requests* requests) : with_(with), requests_(requests) {}

  // Blocks. `order`: journal numbers of the submissions; those of jobs that are
  // not known any more are left in it. Errors: DATA_LOSS a job cannot be read.
  absl::Status Load(std::map<std::string, uint64_t>* order);
  // Takes unfinished jobs up again.
  void Resume();

  // Errors as in job.proto. `gone`: whether the client went away.
  void Submit(const SubmitRequest& request, const Asker& asker, GivenUp gone, Then<SubmitReply> then);
  void Cancel(const std::string& id, const Asker& asker, Then<CancelReply> then);
  // May the results of the stack be changed for this one? It belongs to whoever submitted it
  // last. "" is what belongs to nobody. Errors: PERMISSION_DENIED.
  absl::Status CheckChange(const std::string& stack, const Asker& asker) const;
  ListJobsReply List(const ListJobsRequest& request) const;
  void Get(const std::string& id, Then<GetJobReply> then) const;

  // `show` is called at most ten times a second, with `last` at the job's end.
  // After Unwatch it is not called again.
  using Show = std::function<void(const JobProgress&, bool last)>;
  void Watch(const std::string& id, Show show, Then<uint64_t> then);
  void Unwatch(uint64_t watcher) { watchers_.erase(watcher); }
  void ShowProgress();
  void StopWatching() { watchers_.clear(); }

  struct Record {
    JobProgress progress;
    uint64_t order = 0;
    std::shared_ptr<Request> live;  // nullptr: finished, and written down
  };
  // nullptr if there is none.
  const Record* Find(const std::string& id) const;
  // Errors: NOT_FOUND.
  absl::Status CheckKnown(const std::string& id) const;
  uint64_t live_jobs() const;
  // Since the start of the daemon; from submission on.
  struct Ended {
    Durations done, failed, cancelled;
  };
  const Ended& ended() const { return ended_; }

 private:
  struct Watcher {
    std::string job_id;
    Show show;
    uint64_t shown = 0;
  };
  // A submission that is being checked, and who waits for it: a client may ask
  // again with the same id while it is.
  struct Submission {
    std::shared_ptr<const Stack> stack;
    std::string owner;
    // The rest of what was asked: note, text, what was set.
    SubmitRequest request;
    std::vector<std::pair<Then<SubmitReply>, GivenUp>> waiting;
  };
  absl::Status CheckCount(const Asker& asker) const;
  void Check(const std::string& id);
  void OnChecked(const std::string& id, const absl::StatusOr<std::shared_ptr<const Round>>& checked);
  void Accept(const std::string& id, const Submission& submission, const std::shared_ptr<const Round>& round);
  void Answer(const std::string& id, const absl::StatusOr<SubmitReply>& reply);
  void Add(const std::string& id, const JobProgress& progress, std::shared_ptr<const Stack> stack, uint64_t order);
  void OnEnd(const std::string& id, const Ending& ending);
  void Count(const JobProgress& ended);
  // Writes the job down as it is now.
  void Persist(const std::string& id, const std::shared_ptr<const Planned>& planned,
               std::function<void(absl::Status)> then);
  void Learn(const JobProgress& progress, IndexBatch* batch);
  void ForgetOld();
  // The newest state for those who watch; nullptr while there is nothing to show.
  const JobProgress* Newest(Record* record);

  const RequestTools with_;
  Requests* const requests_;
  std::map<std::string, Record> jobs_;
  uint64_t next_order_ = 1;
  std::map<std::string, Submission> submitting_;
  std::map<uint64_t, Watcher> watchers_;
  uint64_t next_watcher_ = 1;
  std::vector<std::string> unfinished_;
  Ended ended_;
};

}  // namespace selvage
