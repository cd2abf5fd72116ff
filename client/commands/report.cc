// `selvage report`: figures of frames and passes, and which of them to look at.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <optional>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/frames.h"
#include "client/json.h"
#include "client/output.h"
#include "client/report/frames_to_look_at.h"
#include "client/report/measuring.h"
#include "client/report/report_csv.h"
#include "client/report/report_passes.h"
#include "client/stack_arguments.h"
#include "proto/proxy.h"
#include "proto/report.pb.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// What is reported on, and what its faults are called.
struct Subject {
  Stack stack;
  std::optional<StackFile> file;
  std::string job;

  absl::Status Refuse(const google::protobuf::RepeatedPtrField<StackError>& errors) const {
    if (file) return file->Refuse(errors);
    return errors.empty() ? absl::OkStatus()
                          : absl::InvalidArgumentError(absl::StrCat("job ", job, ": ", errors[0].message()));
  }
};

absl::StatusOr<Subject> FindSubject(Connection& connection, const StackArguments& of) {
  Subject subject;
  std::error_code error;
  if (std::filesystem::is_regular_file(of.stack, error) || absl::StrContains(of.stack, '/') ||
      absl::EndsWith(of.stack, ".stack")) {
    ASSIGN_OR_RETURN(subject.file, of.Read());
    subject.stack = subject.file->stack();
    CheckRequest request;
    *request.mutable_stack() = subject.stack;
    CheckReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().Check(context.get(), request, &reply)));
    RETURN_IF_ERROR(subject.Refuse(reply.error()));
    return subject;
  }
  if (!of.Changes().empty()) {
    return absl::InvalidArgumentError("--set and --scale change a stack file for this run, not a job");
  }
  ASSIGN_OR_RETURN(subject.job, ResolveJob(connection, of.stack));
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
  ASSIGN_OR_RETURN(const Frames wanted, ParseFrames(asked));
  if (wanted.first < stack.frames().first() || wanted.last > stack.frames().last()) {
    return absl::InvalidArgumentError(absl::StrCat("--frames ", asked, " are not all in the stack's ",
                                                   stack.frames().first(), "-", stack.frames().last()));
  }
  return wanted;
}

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
  std::vector<std::pair<std::string, std::string>> findings;
  for (const PassReport& pass : report.pass()) {
    std::printf("%s\n%s\n", pass.pass().c_str(), FrameTable(pass).c_str());
    for (const Finding& f : pass.finding()) findings.push_back({pass.pass(), InWords(f)});
  }
  if (findings.empty()) {
    std::puts("Nothing stands out.");
    return;
  }
  std::puts("Frames to look at:");
  for (const auto& [pass, words] : findings) std::printf("  %s %s\n", pass.c_str(), words.c_str());
}

class Report final : public Command {
 public:
  CommandHelp help() const override {
    return {"report", Group::kResult, "Measure mattes frame by frame, and say which frames to look at",
            "Solid is 0.95 and more, clear is 0.02 and less. The columns:\n"
            "  holes       pixels that are not solid inside --core; without it, in enclosed parts of at most a\n"
            "              thousandth of the frame (larger ones are gaps)\n"
            "  specks      pixels that are not clear inside --garbage; without it, in small parts that hang together\n"
            "              with nothing\n"
            "  soft %      how much of what is covered is neither clear nor solid\n"
            "  flicker     how far the edge is beyond both the frame before and the one after, along the plate's\n"
            "              motion (root mean square, in alpha); steady change is none\n"
            "  jump        how far it is from the frame before\n"
            "  spill       covered pixels with screen colour left: 0.01 or more above the mean of the other two\n"
            "              channels, as it shows (x alpha)\n"
            "  edge spill  the mean of that in the edge\n"
            "  clipped     covered pixels with a channel of --clip or more\n"
            "  below 0     covered pixels with a negative channel\n"
            "Frames to look at are those far above the shot's own median. Where the whole shot is bad by itself\n"
            "(most of the matte soft, screen colour nearly everywhere, a veil over bare screen, many holes) that is\n"
            "said of the whole shot. Figures are kept like any result: the same report again renders nothing.\n"
            "  selvage report last\n"
            "  selvage report apiary_010.stack matte --core core --garbage garbage --frames 1010-1024\n"
            "  selvage report last --csv > report.csv"};
  }

  void Declare(CLI::App* app) override {
    of_.stack = "last";
    app->add_option("JOB", of_.stack, "Job id, `last` (your newest job), or a stack file")->capture_default_str();
    app->add_option("PASS", passes_, "Passes, plates or masks; default: the foregrounds and mattes that are delivered");
    of_.DeclareChanges(app);
    app->add_option("--frames", frames_, "Only these, as in 1001-1010; default: all")->type_name("A-B");
    app->add_option("--core", core_, "Matte inside of which everything must be solid")->type_name("NAME");
    app->add_option("--garbage", garbage_, "Matte inside of which everything must be clear")->type_name("NAME");
    app->add_option("--plate", plate_, "Picture to follow motion in; default: the plate that the pass comes from")
        ->type_name("NAME");
    app->add_option("--color", color_, "Foreground colour of a matte; default: a picture's own")->type_name("NAME");
    app->add_option("--screen", screen_, "green or blue; default: as the first despill says")
        ->check(CLI::IsMember({"green", "blue"}));
    app->add_flag("--csv", csv_, "A line for each pass and frame with all figures, for spreadsheets (RFC 4180)");
    app->add_option("--clip", clip_, "Colour that counts as clipped; default: 1");
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    ASSIGN_OR_RETURN(const Subject subject, FindSubject(connection, of_));
    ASSIGN_OR_RETURN(const Frames frames, FramesToReport(subject.stack, frames_));
    const std::vector<std::string> passes = passes_.empty() ? PassesToReport(subject.stack) : passes_;
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
    const MeasureMatte measure = ToMeasure(subject.stack);
    const auto refuse = [&](const auto& errors) { return subject.Refuse(errors); };
    RETURN_IF_ERROR(Measuring(&connection, subject.stack, measure, refuse, &report).Run());
    for (PassReport& pass : *report.mutable_pass()) {
      for (Finding& f : FramesToLookAt(pass, {core_, garbage_})) *pass.add_finding() = std::move(f);
    }
    if (csv_) {
      std::fputs(ReportCsv(report).c_str(), stdout);
    } else if (globals.json) {
      std::fputs(Json(report).c_str(), stdout);
    } else {
      const uint32_t proxy = subject.stack.proxy();
      if (proxy > 1) std::printf("Measured at %s: pixels are those of that size.\n\n", SizeInWords(proxy).c_str());
      Print(report);
    }
    return absl::OkStatus();
  }

 private:
  MeasureMatte ToMeasure(const Stack& stack) const {
    MeasureMatte measure;
    measure.set_plate(plate_);
    measure.set_core(core_);
    measure.set_garbage(garbage_);
    measure.set_color(color_);
    measure.set_screen(screen_.empty() ? ScreenToReport(stack) : screen_ == "blue" ? Screen::BLUE : Screen::GREEN);
    if (clip_) measure.mutable_clip()->set_value(*clip_);
    return measure;
  }

  StackArguments of_;
  bool csv_ = false;
  std::vector<std::string> passes_;
  std::string frames_, core_, garbage_, plate_, color_;
  // "green" or "blue"; empty: as the stack says.
  std::string screen_;
  std::optional<double> clip_;
};
REGISTER_COMMAND(Report);

}  // namespace
}  // namespace selvage::client
