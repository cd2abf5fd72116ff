// Real processes for whole-process tests: started, watched, killed.
#pragma once

#include <sys/types.h>

#include <string>
#include <vector>

namespace selvage::e2e {

struct Finished {
  int exit_code = -1;  // 128 + signal when killed
  std::string out, err;
};

// Runs to the end (killed after `seconds`).
Finished RunProcess(const std::vector<std::string>& command, int seconds = 120);

// A process in the background; killed (-9) when this goes away.
class Process {
 public:
  Process() = default;
  // Output goes to `log` (appended).
  Process(const std::vector<std::string>& command, const std::string& log);
  ~Process();
  Process(Process&& o) noexcept : pid_(o.pid_) { o.pid_ = -1; }
  Process& operator=(Process&& o) noexcept;

  bool running();
  void Kill();  // SIGKILL, and waits
  void Signal(int signal);
  // Waits; -1 when it is still running after `seconds`.
  int Wait(double seconds);
  pid_t pid() const { return pid_; }

 private:
  pid_t pid_ = -1;
  int status_ = -1;
};

std::string ReadFile(const std::string& path);
void WriteFile(const std::string& path, const std::string& bytes);
void SleepMs(int ms);

}  // namespace selvage::e2e
