// What pages ask of the daemon in one call: plans, jobs, workers, the cache, submissions. Used
// from the loom's thread.
#pragma once

#include "client/loom/daemon.h"
#include "client/loom/document.h"
#include "client/loom/http_server.h"
#include "client/loom/job_watch.h"

namespace selvage::client {

class DaemonCalls {
 public:
  DaemonCalls(const Document* document, Daemon* daemon, JobWatch* jobs)
      : document_(document), daemon_(daemon), jobs_(jobs) {}

  // README.md, by the addresses.
  void Cached(const Exchange& exchange);
  void Plan(const Exchange& exchange);
  void Jobs(const Exchange& exchange);
  void Job(const Exchange& exchange);
  void Workers(const Exchange& exchange);
  void Cache(const Exchange& exchange);
  void Submit(const Exchange& exchange);
  void Cancel(const Exchange& exchange);
  void Invalidate(const Exchange& exchange);

 private:
  const Document* const document_;
  Daemon* const daemon_;
  JobWatch* const jobs_;
};

}  // namespace selvage::client
