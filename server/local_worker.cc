#include "server/local_worker.h"

#include <signal.h>
#include <spdlog/spdlog.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <climits>
#include <cstring>
#include <filesystem>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

constexpr char kName[] = "selvage-worker";
constexpr double kLongestPause = 20;  // times the first

bool IsProgram(const fs::path& path) {
  std::error_code error;
  return fs::is_regular_file(path, error) && ::access(path.c_str(), X_OK) == 0;
}

// By a fault of its own; not killed by somebody, or by a machine that is short of memory.
bool Crashed(int status) {
  if (!WIFSIGNALED(status)) return false;
  const int signal = WTERMSIG(status);
  return signal == SIGSEGV || signal == SIGABRT || signal == SIGBUS || signal == SIGFPE || signal == SIGILL;
}

std::string HowItEnded(int status) {
  if (WIFSIGNALED(status)) return absl::StrCat("signal ", WTERMSIG(status), " (", ::strsignal(WTERMSIG(status)), ")");
  return absl::StrCat("exit code ", WEXITSTATUS(status));
}

}  // namespace

std::string FindWorkerProgram() {
  std::error_code error;
  const fs::path folder = fs::read_symlink("/proc/self/exe", error).parent_path();
  for (const fs::path& path : {folder / kName, folder.parent_path() / "worker" / kName}) {
    if (!error && IsProgram(path)) return path.string();
  }
  const char* search = std::getenv("PATH");
  for (const absl::string_view place : absl::StrSplit(search != nullptr ? search : "", ':', absl::SkipEmpty())) {
    const fs::path path = fs::path(std::string(place)) / kName;
    if (IsProgram(path)) return path.string();
  }
  return "";
}

LocalWorker::LocalWorker(Options options) : options_(std::move(options)), watching_([this] { Watch(); }) {}

void LocalWorker::Watch() {
  double pause = options_.first_pause;
  for (;;) {
    const auto began = std::chrono::steady_clock::now();
    pid_t pid = -1;
    {
      MutexLock lock(&mutex_);
      if (stopping_) return;
      pid = Start();
      running_ = std::max(pid, 0);
    }
    const int status = pid > 0 ? Await(pid) : 0;
    {
      MutexLock lock(&mutex_);
      if (stopping_) return;
    }
    if (pid > 0) {
      spdlog::error("the local worker ended with {}; another one is started, and gets what it was rendering",
                    HowItEnded(status));
      options_.ended(Crashed(status));
    } else {
      spdlog::error("the local worker could not be started: {}", std::strerror(errno));
    }
    const double longest = options_.first_pause * kLongestPause;
    const std::chrono::duration<double> lived = std::chrono::steady_clock::now() - began;
    if (lived.count() > longest) pause = options_.first_pause;
    MutexLock lock(&mutex_);
    mutex_.AwaitFor(std::chrono::duration<double>(pause),
                    [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return stopping_; });
    pause = std::min(2 * pause, longest);
  }
}

pid_t LocalWorker::Start() const {
  std::vector<std::string> words = {options_.program};
  words.insert(words.end(), options_.arguments.begin(), options_.arguments.end());
  std::vector<char*> argv;
  for (std::string& word : words) argv.push_back(word.data());
  argv.push_back(nullptr);
  sigset_t none;
  sigemptyset(&none);
  const pid_t parent = ::getpid();
  const pid_t pid = ::fork();
  if (pid != 0) return pid;
  // The child. Other threads may have held locks at the fork, so it calls only what is safe in
  // a signal handler. It is killed when the thread that started it ends, which is when the
  // daemon ends. It has a process group of its own: Ctrl-C reaches only the daemon, and the
  // daemon tells the worker to end.
  (void)::prctl(PR_SET_PDEATHSIG, SIGKILL);
  if (::getppid() != parent) ::_exit(1);
  (void)::setpgid(0, 0);
  (void)::sigprocmask(SIG_SETMASK, &none, nullptr);
  (void)::signal(SIGPIPE, SIG_DFL);
  (void)::close_range(3, UINT_MAX, 0);
  ::execv(argv[0], argv.data());
  ::_exit(127);
}

int LocalWorker::Await(pid_t pid) {
  // WNOWAIT leaves the ended process in the table, so that its number is not given to another
  // process, which Stop would kill, before running_ says that it has ended.
  siginfo_t info;
  while (::waitid(P_PID, static_cast<id_t>(pid), &info, WEXITED | WNOWAIT) != 0 && errno == EINTR) {
  }
  int status = 0;
  MutexLock lock(&mutex_);
  (void)::waitpid(pid, &status, 0);
  running_ = 0;
  return status;
}

void LocalWorker::Stop(double seconds) {
  if (!watching_.joinable()) return;
  {
    MutexLock lock(&mutex_);
    stopping_ = true;
    if (running_ > 0) ::kill(running_, SIGTERM);
    const bool ended = mutex_.AwaitFor(std::chrono::duration<double>(seconds),
                                       [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return running_ == 0; });
    if (!ended) ::kill(running_, SIGKILL);
  }
  watching_.join();
}

}  // namespace selvage
