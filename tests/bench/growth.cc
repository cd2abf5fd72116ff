// How a daemon ages: many new stack names and many invalidations, then the same questions
// as before; or (--curves) how it fares with longer shots and more passes. A fresh state folder,
// the real daemon, pictures of one colour, so that what is measured is the book-keeping and not
// the rendering.
#include <grpcpp/grpcpp.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <deque>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "google/protobuf/text_format.h"
#include "proto/job.grpc.pb.h"

extern char** environ;

namespace selvage {
namespace {

namespace fs = std::filesystem;
using Clock = std::chrono::steady_clock;

double SecondsSince(Clock::time_point began) { return std::chrono::duration<double>(Clock::now() - began).count(); }

[[noreturn]] void Die(const std::string& why) {
  std::fprintf(stderr, "growth: %s\n", why.c_str());
  std::exit(1);
}

void Must(const grpc::Status& s, const std::string& what) {
  if (!s.ok()) Die(absl::StrCat(what, ": ", s.error_message()));
}

uint64_t AllocatedBytes(const fs::path& folder) {
  uint64_t bytes = 0;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    struct stat s;
    if (stat(entry.path().c_str(), &s) == 0) bytes += uint64_t{512} * s.st_blocks;
  }
  return bytes;
}

// `passes` grades of a flood, one after another, each with numbers of its own.
Stack MakeStack(const std::string& name, int passes, int frames, double gain) {
  std::string text = absl::StrCat("name: \"", name, "\" frames { first: 1001 last: ", 1000 + frames,
                                  " } format { width: 64 height: 64 }"
                                  " pass { name: \"p0\" step { flood { color { r: 0.2 g: 0.4 b: 0.1 } } } }");
  for (int p = 1; p < passes; ++p) {
    absl::StrAppend(&text, " pass { name: \"p", p, "\" from: \"p", p - 1,
                    "\" step { grade { gain { r: ", absl::StrFormat("%.9f", gain + p * 1e-4), " g: 1 b: 1 } } } }");
  }
  absl::StrAppend(&text, " deliver { name: \"d\" from: \"p", passes - 1, "\" files: \"/nowhere/d.%04d.exr\" }");
  Stack stack;
  if (!google::protobuf::TextFormat::ParseFromString(text, &stack)) Die(absl::StrCat("cannot parse ", text));
  return stack;
}

class Daemon {
 public:
  Daemon(std::string program, fs::path folder) : program_(std::move(program)), folder_(std::move(folder)) {}
  ~Daemon() { Stop(); }

  // Returns the seconds until it is ready.
  double Start() {
    const std::string ports = folder_ / "ports.json", state = folder_ / "state";
    fs::remove(ports);
    std::vector<std::string> words = {program_,   "--state",      state,    "--root",      folder_.string(),
                                      "--listen", "127.0.0.1:0",  "--http", "127.0.0.1:0", "--port-file",
                                      ports,      "--cache-size", "2G"};
    std::vector<char*> arguments;
    for (std::string& w : words) arguments.push_back(w.data());
    arguments.push_back(nullptr);
    posix_spawn_file_actions_t files;
    posix_spawn_file_actions_init(&files);
    posix_spawn_file_actions_addopen(&files, 1, (folder_ / "daemon.log").c_str(), O_WRONLY | O_CREAT | O_APPEND, 0644);
    posix_spawn_file_actions_adddup2(&files, 1, 2);
    const auto began = Clock::now();
    if (posix_spawn(&pid_, program_.c_str(), &files, nullptr, arguments.data(), environ) != 0) {
      Die(absl::StrCat("cannot start ", program_));
    }
    posix_spawn_file_actions_destroy(&files);
    while (!fs::exists(ports)) {
      if (waitpid(pid_, nullptr, WNOHANG) == pid_)
        Die(absl::StrCat("the daemon ended; see ", folder_.string(), "/daemon.log"));
      std::this_thread::sleep_for(std::chrono::milliseconds(2));
    }
    const double seconds = SecondsSince(began);
    std::stringstream text;
    text << std::ifstream(ports).rdbuf();
    const size_t at = text.str().find("\"grpc\"");
    const int port = std::atoi(text.str().c_str() + text.str().find_first_of("0123456789", at));
    jobs_ =
        JobService::NewStub(grpc::CreateChannel(absl::StrCat("127.0.0.1:", port), grpc::InsecureChannelCredentials()));
    return seconds;
  }

  void Stop() {
    if (pid_ <= 0) return;
    kill(pid_, SIGTERM);
    waitpid(pid_, nullptr, 0);
    pid_ = 0;
  }

  std::string Submit(const Stack& stack) {
    SubmitRequest request;
    *request.mutable_stack() = stack;
    SubmitReply reply;
    grpc::ClientContext context;
    Must(jobs_->Submit(&context, request, &reply), "submit");
    if (reply.error_size() > 0) Die(reply.error(0).message());
    return reply.job_id();
  }

  void WaitFor(const std::string& job) {
    grpc::ClientContext context;
    WatchRequest request;
    request.set_job_id(job);
    auto reader = jobs_->Watch(&context, request);
    JobProgress progress;
    while (reader->Read(&progress)) {
    }
    Must(reader->Finish(), "watch");
    if (progress.state() != JOB_DONE)
      Die(absl::StrCat("job ", job, " did not end well: ", progress.ShortDebugString()));
  }

  void Invalidate(const std::string& stack, const std::string& pass) {
    InvalidateRequest request;
    request.set_stack_name(stack);
    request.set_pass(pass);
    InvalidateReply reply;
    grpc::ClientContext context;
    Must(jobs_->Invalidate(&context, request, &reply), "invalidate");
  }

  // The median of several, in milliseconds.
  double PlanMilliseconds(const Stack& stack) {
    std::vector<double> seconds;
    for (int i = 0; i < 9; ++i) {
      PlanRequest request;
      *request.mutable_stack() = stack;
      PlanReply reply;
      grpc::ClientContext context;
      const auto began = Clock::now();
      Must(jobs_->Plan(&context, request, &reply), "plan");
      seconds.push_back(SecondsSince(began));
    }
    std::sort(seconds.begin(), seconds.end());
    return 1000 * seconds[seconds.size() / 2];
  }

 private:
  const std::string program_;
  const fs::path folder_;
  pid_t pid_ = 0;
  std::unique_ptr<JobService::Stub> jobs_;
};

struct Figures {
  double restart_seconds = 0, plan_ms = 0;
  uint64_t index_bytes = 0;
};

// The daemon is restarted twice: what it collects when it stops and starts has been
// collected then.
Figures Measure(Daemon* daemon, const fs::path& folder, const Stack& shot) {
  daemon->WaitFor(daemon->Submit(shot));
  Figures f;
  for (int i = 0; i < 2; ++i) {
    daemon->Stop();
    f.restart_seconds = daemon->Start();
  }
  f.plan_ms = daemon->PlanMilliseconds(shot);
  daemon->Stop();
  f.index_bytes = AllocatedBytes(folder / "state" / "index");
  daemon->Start();
  return f;
}

void Print(const char* when, const Figures& f) {
  std::printf("%-44s %9.2f s %9.1f ms %9.2f MB\n", when, f.restart_seconds, f.plan_ms, f.index_bytes / 1e6);
  std::fflush(stdout);
}

int Run(const std::string& program, int stacks, int invalidations) {
  std::string pattern = (fs::temp_directory_path() / "selvage-growth-XXXXXX").string();
  const fs::path folder = mkdtemp(pattern.data());
  const Stack shot = MakeStack("shot", 40, 24, 1.1);
  {
    Daemon daemon(program, folder);
    daemon.Start();
    std::printf("%-44s %11s %12s %12s\n", "", "restart", "plan", "index");
    Print("before", Measure(&daemon, folder, shot));

    auto began = Clock::now();
    std::deque<std::string> running;
    for (int i = 0; i < stacks; ++i) {
      // Every second one is like one before, under a new name.
      running.push_back(daemon.Submit(MakeStack(absl::StrCat("shot_", i), 3, 4, 1.2 + 1e-6 * (i / 2))));
      if (running.size() < 8) continue;
      daemon.WaitFor(running.front());
      running.pop_front();
    }
    for (const std::string& job : running) daemon.WaitFor(job);
    std::printf("%d new stacks took %.1f s\n", stacks, SecondsSince(began));
    Print(absl::StrCat("after ", stacks, " new stack names").c_str(), Measure(&daemon, folder, shot));

    began = Clock::now();
    for (int i = 0; i < invalidations; ++i) {
      if (i % 2 == 0 || stacks == 0) {
        daemon.Invalidate("shot", absl::StrCat("p", 1 + i % 39));
      } else {
        // Of the newest: what is older than 500 stacks has no names any more.
        daemon.Invalidate(absl::StrCat("shot_", stacks - 1 - i % std::min(stacks, 250)), "p1");
      }
    }
    std::printf("%d invalidations took %.1f s\n", invalidations, SecondsSince(began));
    Print(absl::StrCat("after ", invalidations, " invalidations more").c_str(), Measure(&daemon, folder, shot));
  }
  fs::remove_all(folder);
  return 0;
}

// A shot of its own: rendered, submitted again as it is, and planned.
void PrintPoint(Daemon* daemon, int frames, int passes) {
  const Stack stack = MakeStack(absl::StrCat("curve_", frames, "_", passes), passes, frames, 1.3 + 1e-3 * frames);
  const auto seconds_of = [&] {
    const auto began = Clock::now();
    daemon->WaitFor(daemon->Submit(stack));
    return SecondsSince(began);
  };
  const double cold = seconds_of();
  std::vector<double> again = {seconds_of(), seconds_of(), seconds_of()};
  std::sort(again.begin(), again.end());
  const double tasks = static_cast<double>(frames) * passes;
  const double plan_ms = daemon->PlanMilliseconds(stack);
  std::printf("%6d %6d %9.0f %9.2f %9.1f %11.3f %9.2f %11.1f %9.2f\n", frames, passes, tasks, cold, 1e6 * cold / tasks,
              again[1], 1e6 * again[1] / tasks, plan_ms, 1e3 * plan_ms / tasks);
  std::fflush(stdout);
}

int RunCurves(const std::string& program, const std::vector<int>& frames, const std::vector<int>& passes) {
  std::string pattern = (fs::temp_directory_path() / "selvage-growth-XXXXXX").string();
  const fs::path folder = mkdtemp(pattern.data());
  {
    Daemon daemon(program, folder);
    daemon.Start();
    std::printf("%6s %6s %9s %9s %9s %11s %9s %11s %9s\n", "frames", "passes", "tasks", "cold s", "us/task",
                "unchanged s", "us/task", "plan ms", "us/task");
    for (const int count : frames) PrintPoint(&daemon, count, 43);
    for (const int count : passes) PrintPoint(&daemon, 24, count);
  }
  fs::remove_all(folder);
  return 0;
}

}  // namespace
}  // namespace selvage

int main(int argc, char** argv) {
  CLI::App app("How restart, planning and the index fare after many names and invalidations.", "growth");
  std::string program =
      (std::filesystem::read_symlink("/proc/self/exe").parent_path() / "../../server/selvaged").lexically_normal();
  int stacks = 2000, invalidations = 5000;
  app.add_option("--selvaged", program, "The daemon")->capture_default_str();
  app.add_option("--stacks", stacks, "New stack names")->capture_default_str();
  app.add_option("--invalidations", invalidations, "Invalidations")->capture_default_str();
  bool curves = false;
  std::vector<int> frames = {24, 76, 240, 760, 2400}, passes = {10, 32, 100, 316, 1000};
  app.add_flag("--curves", curves, "Instead: longer shots of 43 passes, and more passes of 24 frames");
  app.add_option("--frames", frames, "With --curves: lengths")->delimiter(',')->capture_default_str();
  app.add_option("--passes", passes, "With --curves: numbers of passes")->delimiter(',')->capture_default_str();
  CLI11_PARSE(app, argc, argv);
  if (curves) return selvage::RunCurves(program, frames, passes);
  return selvage::Run(program, stacks, invalidations);
}
