// The worker that renders on the daemon's own machine: a process of its own, so that a
// picture that breaks a decoder ends the worker and not the daemon. It is started, watched,
// and started again when it ends.
#pragma once

#include <sys/types.h>

#include <functional>
#include <string>
#include <thread>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "proto/mutex.h"

namespace selvage {

// selvage-worker beside this program, in the same build folder, or on the PATH; "" if there is none.
std::string FindWorkerProgram();

class LocalWorker {
 public:
  struct Options {
    std::string program;
    std::vector<std::string> arguments;
    // It ended without being told to. `crashed`: by a fault of its own. Called on a thread of its own.
    std::function<void(bool crashed)> ended;
    // Before it is started again; doubled each time, up to 20 times as much, until it has lived for that long.
    double first_pause = 0.5;
  };
  explicit LocalWorker(Options options);
  ~LocalWorker() { Stop(0); }
  LocalWorker(const LocalWorker&) = delete;
  LocalWorker& operator=(const LocalWorker&) = delete;

  // Tells it to hand back what it has, and kills it if it is there after so many seconds.
  // Once; `ended` is not called any more when it returns.
  void Stop(double seconds);

 private:
  void Watch();
  // -1 if it cannot be started.
  pid_t Start() const;
  // Waits for its end; says how it was.
  int Await(pid_t pid);

  const Options options_;
  Mutex mutex_;
  bool stopping_ ABSL_GUARDED_BY(mutex_) = false;
  // 0 while there is none.
  pid_t running_ ABSL_GUARDED_BY(mutex_) = 0;
  std::thread watching_;
};

}  // namespace selvage
