#include "client/loom/job_watch.h"

#include <memory>

#include "client/loom/answers.h"

namespace selvage::client {

void JobWatch::AskNow() {
  if (asking_) return;
  asking_ = daemon_->calls().Run([this] {
    auto reply = std::make_shared<ListJobsReply>();
    Connection& connection = daemon_->connection();
    StoppableCall call(daemon_->ending(), connection.Call(20));
    const absl::Status status =
        connection.Explain(connection.jobs().ListJobs(call.get(), ListJobsRequest(), reply.get()));
    daemon_->Post([this, reply, status] {
      asking_ = false;
      daemon_->Note(status);
      if (!status.ok()) return;
      std::string jobs = JobsJson(*reply);
      if (jobs != jobs_) {
        jobs_ = std::move(jobs);
        events_->Tell("jobs", "jobs", jobs_);
      }
      const StackFile* stack = document_->good();
      for (const JobProgress& job : reply->job()) {
        const bool runs = job.state() == JOB_RUNNING || job.state() == JOB_INSPECTING;
        if (runs && stack != nullptr && job.stack_name() == stack->stack().name()) Follow(job.job_id());
      }
    });
  });
}

void JobWatch::Follow(const std::string& id) {
  constexpr size_t kMostFollowed = 64;
  if (followed_.size() >= kMostFollowed || !followed_.insert(id).second) return;
  const bool runs = daemon_->watches().Run([this, id] {
    WatchRequest request;
    request.set_job_id(id);
    Connection& connection = daemon_->connection();
    StoppableCall call(daemon_->ending(), connection.Stream());
    auto stream = connection.jobs().Watch(call.get(), request);
    auto progress = std::make_shared<JobProgress>();
    while (stream->Read(progress.get())) {
      daemon_->Post([this, progress] {
        JsonWriter out;
        WriteJob(*progress, true, &out);
        job_events_[progress->job_id()] = out.text();
        if (job_events_.size() > kMostFollowed) job_events_.erase(job_events_.begin());
        events_->Tell("job " + progress->job_id(), "job", out.text());
      });
      progress = std::make_shared<JobProgress>();
    }
    (void)stream->Finish();
    daemon_->Post([this, id] { followed_.erase(id); });
  });
  if (!runs) followed_.erase(id);
}

void JobWatch::SendState(EventStream* stream) const {
  if (!jobs_.empty()) stream->Send("jobs", "jobs", jobs_);
  for (const auto& [id, job] : job_events_) stream->Send("job " + id, "job", job);
}

}  // namespace selvage::client
