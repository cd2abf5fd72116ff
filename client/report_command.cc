// `selvage report`: figures of frames and passes, and which of them to look at.
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <condition_variable>
#include <cstdio>
#include <filesystem>
#include <mutex>
#include <optional>
#include <thread>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/findings.h"
#include "client/output.h"
#include "client/report_passes.h"
#include "client/stack_file.h"
#include "proto/report.pb.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Frames asked for at once: two a slot, so that none waits for the next request.
constexpr uint32_t kFewestAtOnce = 4, kMostAtOnce = 64;

// What is reported on, and what its faults are called.
struct Subject {
  Stack stack;
  std::optional<StackFile> file;
  std::string job;

  template <class Errors>
  absl::Status Refuse(const Errors& errors) const {
    if (file) return file->Refuse(errors);
    return errors.empty() ? absl::OkStatus()
                          : absl::InvalidArgumentError(absl::StrCat("job ", job, ": ", errors[0].message()));
  }
};

absl::StatusOr<Subject> FindSubject(Connection& connection, const ReportOptions& options) {
  Subject subject;
  std::error_code error;
  const std::string& of = options.of.stack;
  if (std::filesystem::is_regular_file(of, error) || absl::StrContains(of, '/') || absl::EndsWith(of, ".stack")) {
    ASSIGN_OR_RETURN(subject.file, ReadStack(of, options.of.set));
    subject.stack = subject.file->stack();
    CheckRequest request;
    *request.mutable_stack() = subject.stack;
    CheckReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Check(context.get(), request, &reply)));
    RETURN_IF_ERROR(subject.Refuse(reply.error()));
    return subject;
  }
  if (!options.of.set.empty())
    return absl::InvalidArgumentError("--set changes the values of a stack file, not of a job");
  ASSIGN_OR_RETURN(subject.job, ResolveJob(connection, of));
  JobRef ref;
  ref.set_job_id(subject.job);
  GetJobReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().GetJob(context.get(), ref, &reply)));
  subject.stack = reply.stack();
  return subject;
}

// From the first frame that is delivered to the last, those that were asked for.
absl::StatusOr<Frames> FramesToReport(const Stack& stack, const std::string& asked) {
  Frames frames{stack.frames().first(), stack.frames().last()};
  bool first = true;
  for (const Deliverable& d : stack.deliver()) {
    const FrameRange& range = d.has_frames() ? d.frames() : stack.frames();
    frames.first = first ? range.first() : std::min(frames.first, range.first());
    frames.last = first ? range.last() : std::max(frames.last, range.last());
    first = false;
  }
  if (asked.empty()) return frames;
  Frames wanted;
  RETURN_IF_ERROR(ParseFrames(asked, &wanted));
  if (wanted.first < stack.frames().first() || wanted.last > stack.frames().last()) {
    return absl::InvalidArgumentError(absl::StrCat("--frames ", asked, " are not all in the stack's ",
                                                   stack.frames().first(), "-", stack.frames().last()));
  }
  return wanted;
}

uint32_t AtOnce(Connection& connection) {
  WorkersReply reply;
  auto context = connection.Call();
  uint32_t slots = 0;
  if (connection.jobs().Workers(context.get(), WorkersRequest(), &reply).ok()) {
    for (const auto& w : reply.worker()) slots += w.slots();
  }
  return std::clamp(2 * slots, kFewestAtOnce, kMostAtOnce);
}

// Asks for all frames of all passes, several at once. The first one (in order)
// that fails ends it.
class Measuring {
 public:
  Measuring(Connection& connection, const Subject& subject, const MeasureMatte& measure, ShotReport* report)
      : connection_(connection), subject_(subject), measure_(measure) {
    for (PassReport& pass : *report->mutable_pass()) {
      for (PassReport::Frame& frame : *pass.mutable_frame()) places_.push_back({&pass.pass(), &frame});
    }
  }

  absl::Status Run(uint32_t at_once) {
    std::vector<std::thread> threads;
    for (size_t i = 0; i < std::min<size_t>(at_once, places_.size()); ++i) threads.emplace_back([this] { Work(); });
    // A log is no animation.
    const bool live = isatty(STDERR_FILENO);
    const auto between = std::chrono::milliseconds(live ? 200 : 5000);
    std::unique_lock<std::mutex> lock(mutex_);
    while (!an_end_.wait_for(lock, between, [&] { return ended_ == threads.size(); })) Show(live);
    lock.unlock();
    for (std::thread& t : threads) t.join();
    if (live && shown_) std::fputs("\r\x1b[K", stderr);
    return failure_;
  }

 private:
  struct Place {
    const std::string* pass;
    PassReport::Frame* frame;
  };

  void Work() {
    LookRequest request;
    *request.mutable_stack() = subject_.stack;
    *request.mutable_measure() = measure_;
    while (true) {
      const size_t i = next_++;
      if (i >= places_.size() || i > failed_) break;
      const absl::Status status = Ask(places_[i], &request);
      ++done_;
      if (status.ok()) continue;
      std::lock_guard<std::mutex> lock(mutex_);
      if (i > failed_) continue;
      failed_ = i;
      failure_ = status;
    }
    std::lock_guard<std::mutex> lock(mutex_);
    ++ended_;
    an_end_.notify_one();
  }

  absl::Status Ask(const Place& place, LookRequest* request) {
    request->set_pass(*place.pass);
    request->set_frame(place.frame->frame());
    const auto open = [&](grpc::ClientContext* context, uint64_t) {
      return connection_.jobs().Look(context, *request);
    };
    const Annotate where(*place.pass, " frame ", place.frame->frame());
    ASSIGN_OR_RETURN(const ReceivedFile received, ReceiveFile(connection_, open), where);
    RETURN_IF_ERROR(subject_.Refuse(received.errors), where);
    if (place.frame->mutable_figures()->ParseFromString(received.bytes)) return absl::OkStatus();
    return where(absl::DataLossError("the daemon sent no figures"));
  }

  void Show(bool live) {
    std::fprintf(stderr, "%s%zu of %zu frames measured%s", live ? "\r" : "", done_.load(), places_.size(),
                 live ? "" : "\n");
    shown_ = true;
  }

  Connection& connection_;
  const Subject& subject_;
  const MeasureMatte& measure_;
  std::vector<Place> places_;
  std::atomic<size_t> next_{0}, done_{0}, failed_{SIZE_MAX};
  bool shown_ = false;
  std::mutex mutex_;
  std::condition_variable an_end_;
  size_t ended_ = 0;
  absl::Status failure_;
};

std::string FrameTable(const PassReport& pass) {
  const bool colored = std::any_of(pass.frame().begin(), pass.frame().end(),
                                   [](const PassReport::Frame& f) { return f.figures().has_spill_pixels(); });
  std::vector<std::string> header = {"frame", "holes", "specks", "soft %", "flicker", "jump"};
  if (colored) header.insert(header.end(), {"spill", "edge spill", "clipped", "below 0"});
  std::vector<std::vector<std::string>> rows;
  for (const PassReport::Frame& frame : pass.frame()) {
    const MatteFigures& f = frame.figures();
    const auto part = [](bool has, double v) { return has ? absl::StrFormat("%.3f", v) : "-"; };
    const double soft =
        static_cast<double>(f.soft_pixels()) / std::max<double>(1, static_cast<double>(f.covered_pixels()));
    rows.push_back({absl::StrCat(frame.frame()), absl::StrCat(f.hole_pixels()), absl::StrCat(f.speck_pixels()),
                    absl::StrFormat("%.1f", 100 * soft), part(f.has_flicker(), f.flicker()),
                    part(f.has_jump(), f.jump())});
    if (!colored) continue;
    rows.back().insert(rows.back().end(), {absl::StrCat(f.spill_pixels()), part(true, f.edge_spill()),
                                           absl::StrCat(f.clipped_pixels()), absl::StrCat(f.negative_pixels())});
  }
  return Table(header, rows);
}

void Print(const ShotReport& report) {
  std::vector<std::vector<std::string>> findings;
  for (const PassReport& pass : report.pass()) {
    std::printf("%s\n%s\n", pass.pass().c_str(), FrameTable(pass).c_str());
    for (const Finding& f : pass.finding()) findings.push_back({pass.pass(), InWords(f)});
  }
  if (findings.empty()) {
    std::puts("Nothing stands out.");
    return;
  }
  std::puts("Frames to look at:");
  for (const auto& f : findings) std::printf("  %s %s\n", f[0].c_str(), f[1].c_str());
}

}  // namespace

absl::Status RunReport(const Globals& globals, const ReportOptions& options) {
  Connection connection(globals);
  ASSIGN_OR_RETURN(const Subject subject, FindSubject(connection, options));
  ASSIGN_OR_RETURN(const Frames frames, FramesToReport(subject.stack, options.frames));
  const std::vector<std::string> passes = options.passes.empty() ? PassesToReport(subject.stack) : options.passes;
  if (passes.empty()) {
    return absl::InvalidArgumentError(
        "the stack delivers no matte and nothing with an alpha: say which pass to measure");
  }
  ShotReport report;
  report.set_stack_name(subject.stack.name());
  for (const std::string& pass : passes) {
    PassReport* of = report.add_pass();
    of->set_pass(pass);
    for (int f = frames.first; f <= frames.last; ++f) of->add_frame()->set_frame(f);
  }
  MeasureMatte measure;
  measure.set_plate(options.plate);
  measure.set_core(options.core);
  measure.set_garbage(options.garbage);
  measure.set_color(options.color);
  measure.set_screen(options.screen.empty()     ? ScreenToReport(subject.stack)
                     : options.screen == "blue" ? Screen::BLUE
                                                : Screen::GREEN);
  if (options.clip) measure.mutable_clip()->set_value(*options.clip);
  RETURN_IF_ERROR(Measuring(connection, subject, measure, &report).Run(AtOnce(connection)));
  for (PassReport& pass : *report.mutable_pass()) {
    for (Finding& f : FindingsOf(pass, {options.core, options.garbage})) *pass.add_finding() = std::move(f);
  }
  if (globals.json) {
    std::fputs(Json(report).c_str(), stdout);
  } else {
    Print(report);
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
