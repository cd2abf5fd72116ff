// The daemon's jobs, as all pages are told of them. Used from the loom's thread.
#pragma once

#include <map>
#include <set>
#include <string>

#include "client/loom/daemon.h"
#include "client/loom/document.h"
#include "client/loom/events.h"
#include "client/loom/http_server.h"

namespace selvage::client {

class JobWatch {
 public:
  JobWatch(const Document* document, Daemon* daemon, Events* events)
      : document_(document), daemon_(daemon), events_(events) {}

  // Asks for the list of jobs and tells of what has changed; follows the running ones of this
  // stack. One question at a time.
  void AskNow();
  // Its pass lines, until it ends.
  void Follow(const std::string& job);
  // To a page that has just come.
  void SendState(EventStream* stream) const;

 private:
  const Document* const document_;
  Daemon* const daemon_;
  Events* const events_;
  bool asking_ = false;
  // As they were told last.
  std::string jobs_;
  std::map<std::string, std::string> job_events_;
  std::set<std::string> followed_;
};

}  // namespace selvage::client
