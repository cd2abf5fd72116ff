#include "client/cli.h"

#include <CLI/CLI.hpp>
#include <cstdio>
#include <functional>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"

namespace selvage::client {
namespace {

constexpr char kAbout[] = R"(selvage: hand key stacks to the daemon, look at passes, bring frames home.

A first round:
  selvage new --plate plates/apiary_010.%04d.exr -o apiary_010.stack
  selvage check apiary_010.stack
  selvage submit apiary_010.stack --watch
  selvage look apiary_010.stack core --frame 1012 --as checker -o core.png
  selvage why apiary_010.stack core --frame 1012
  selvage submit apiary_010.stack --set comp_grade.grade.stops=0.3 --watch
  selvage report last
  selvage fetch --to out
  selvage steps despill)";

constexpr char kFooter[] = R"(
Exit codes: 0 done; 1 the stack or the request is wrong (the message says where);
2 the command line is wrong; 3 no daemon answers; 4 the job failed or was
cancelled; 5 a file could not be written.)";

constexpr char kSetHelp[] =
    "Change one value for this run: PASS.OPERATOR.FIELD=VALUE, as in comp_grade.grade.stops=0.3; "
    "core.levels[2].white=0.8 is the second levels of the pass; @1020 after the field moves the key frame at 1020; "
    "frames.last=1010 shortens the shot. May be repeated.";

using Command = std::function<absl::Status()>;

class CommandLine {
 public:
  CommandLine() : app_(kAbout, "selvage") {
    app_.footer(kFooter);
    app_.require_subcommand(1);
    app_.set_version_flag("--version", "selvage " SELVAGE_VERSION);
    app_.fallthrough();
    app_.add_option("--server", globals_.server, "Daemon to talk to (default: SELVAGE_SERVER, else 127.0.0.1:7311)")
        ->type_name("HOST:PORT");
    app_.add_flag("--json", globals_.json, "Print JSON instead of tables");
    AddStackCommands();
    AddResultCommands();
    AddFarmCommands();
  }

  int Run(int argc, char** argv) {
    try {
      app_.parse(argc, argv);
    } catch (const CLI::Success& e) {
      return app_.exit(e);
    } catch (const CLI::ParseError& e) {
      app_.exit(e);
      return kUsage;
    }
    return chosen_ ? Report(chosen_()) : static_cast<int>(kUsage);
  }

 private:
  CLI::App* Add(const std::string& name, const std::string& about, Command command) {
    CLI::App* sub = app_.add_subcommand(name, about);
    sub->callback([this, command = std::move(command)] { chosen_ = command; });
    return sub;
  }

  static void AddStack(CLI::App* sub, StackOptions* options) {
    sub->add_option("STACK", options->stack, "The stack file")->required();
    sub->add_option("--set", options->set, kSetHelp)->type_name("PATH=VALUE")->allow_extra_args(false);
  }

  void AddNewCommand() {
    CLI::App* sub =
        Add("new", "A starting stack for a plate: it keys as it stands", [this] { return RunNew(globals_, new_); });
    sub->add_option("--plate", new_.plate, "Path with %04d for the frame number, or of one frame")
        ->required()
        ->type_name("FILES");
    sub->add_option("--output,-o", new_.output, "Stack to write")->required()->type_name("STACK");
    sub->add_option("--background", new_.background, "What it goes over; default: a plain grey")->type_name("FILES");
    sub->add_option("--frames", new_.frames, "Only these, as in 1001-1048; needed where only the daemon sees the files")
        ->type_name("A-B");
    sub->add_option(
        "--encoding", new_.encoding,
        "linear, srgb, bt709, printing_density or acescct; default: as the files' headers say, else linear for EXR, "
        "printing density for DPX, srgb for the rest");
    sub->add_option("--screen-box", new_.screen_box,
                    "A box of bare screen, where it isn't found by itself; @FRAME: there at that frame")
        ->type_name("X,Y,WIDTH,HEIGHT");
    sub->add_flag("--force", new_.force, "Overwrite the stack");
    sub->footer(
        "\nThe plate is surveyed at a handful of frames: colour of the screen (any hue), a box of bare screen\n"
        "for noise and colour, a garbage mask around all that is not screen. --json prints what was found.\n"
        "  selvage new --plate plates/apiary_010.%04d.exr --background bg/meadow.%04d.exr -o apiary_010.stack\n"
        "  selvage new --plate plates/apiary_010.1001.exr --screen-box 40,40,96,96 -o apiary_010.stack");
  }

  void AddStackCommands() {
    AddNewCommand();
    AddStack(Add("check", "Say whether a stack is right; every fault with file:line:column",
                 [this] { return RunCheck(globals_, stack_); }),
             &stack_);
    AddStack(Add("plan", "Say what would be rendered, pass by pass, and why; renders nothing",
                 [this] { return RunPlan(globals_, stack_); }),
             &stack_);
    CLI::App* submit = Add("submit", "Hand a stack in; only what changed is rendered",
                           [this] { return RunSubmit(globals_, submit_); });
    AddStack(submit, &submit_.stack);
    submit->add_flag("--watch,-w", submit_.watch, "Follow the job to its end");
    submit->footer("\nExample: selvage submit apiary_010.stack --watch --set boots_edge.levels.white=0.79");

    CLI::App* look = Add("look", "One frame of one pass as a PNG", [this] { return RunLook(globals_, look_); });
    AddStack(look, &look_.stack);
    look->add_option("PASS", look_.pass, "A pass, plate or mask")->required();
    look->add_option("--frame,-f", look_.frame, "Frame number")->required();
    look->add_option("--as", look_.as, "matte, black, checker, plate, background, color or wipe")
        ->capture_default_str();
    look->add_option("--background", look_.background, "Plate or pass behind it, for --as background");
    look->add_option("--output,-o", look_.output, "PNG to write")->required()->type_name("FILE");
    look->add_option("--stops", look_.stops, "Exposure for looking")->capture_default_str();
    look->add_option("--wipe", look_.wipe, "Where the wipe stands, 0 to 1")->capture_default_str();
    look->add_option("--longest-side", look_.longest_side, "Shrink to this many pixels; 0 = full size");
    look->footer("\nExample: selvage look apiary_010.stack hair --frame 1012 --as black --stops 2 -o hair.png");

    CLI::App* why = Add("why", "Why a pass would be rendered, or would not; renders nothing",
                        [this] { return RunWhy(globals_, why_); });
    AddStack(why, &why_.stack);
    why->add_option("PASS", why_.pass, "A pass, or \"deliver NAME\"")->required();
    why->add_option("--frame,-f", why_.frame, "Only this one");
    why->footer(
        "\nCompares with the last submission of the stack and names the first thing that differs,\n"
        "also where it lies in a pass above:\n"
        "  selvage why apiary_010.stack boots_edge --frame 1012\n"
        "    boots_edge at 1012: levels.white 0.82 -> 0.79\n"
        "  selvage why apiary_010.stack matte\n"
        "    clean at 1007: plate \"plate\": file contents changed\n"
        "    matte at 1001-1006, 1008-1048: nothing changed: would be reused\n"
        "`selvage plan` says the same of all passes.");

    CLI::App* invalidate = Add("invalidate", "Render anew, whatever the cache holds",
                               [this] { return RunInvalidate(globals_, invalidate_); });
    invalidate->add_option("STACK", invalidate_.stack, "The stack file, or the name of a stack");
    invalidate->add_option("PASS", invalidate_.pass, "The pass");
    invalidate->add_flag("--all", invalidate_.all, "Every pass of the stack");
    invalidate->add_option("--frames", invalidate_.frames, "Only these, as in 1001-1010")->type_name("A-B");
    invalidate->add_flag("--with-dependents", invalidate_.with_dependents,
                         "Also everything below, even where the pixels above it come out the same");
    invalidate
        ->add_option("--worker", invalidate_.worker,
                     "What this worker made, in all stacks: its name, or the host before the colon (`selvage workers`)")
        ->type_name("NAME");
    invalidate
        ->add_option("--since", invalidate_.since,
                     "With --worker: made then or later; 14:02, \"2026-11-25 14:02\", 90m, 2h, 3d")
        ->type_name("TIME");
    invalidate->footer(
        "\nNothing older is shown once this returns, also by jobs that run. Passes below are rendered\n"
        "again only where the pixels come out different:\n"
        "  selvage invalidate apiary_010.stack clean --frames 1010-1012\n"
        "  selvage invalidate apiary_010.stack core --with-dependents\n"
        "  selvage invalidate apiary_010.stack --all\n"
        "A machine with bad memory; stop its worker first:\n"
        "  selvage invalidate --worker render3 --since 14:02");
  }

  void AddResultCommands() {
    CLI::App* watch = Add("watch", "Follow a job to its end", [this] { return RunWatch(globals_, watch_); });
    watch->add_option("JOB", watch_.job, "Job id; default: the newest");
    CLI::App* fetch = Add("fetch", "Write finished deliverables, verified, each file whole or not at all",
                          [this] { return RunFetch(globals_, fetch_); });
    fetch->add_option("JOB", fetch_.job, "Job id; default: the newest");
    fetch->add_option("--to", fetch_.to, "Folder, below it one a deliverable; default: where the stack says")
        ->type_name("DIR");
    fetch->add_option("--deliverable", fetch_.deliverable, "Only this one");
    fetch->add_option("--frames", fetch_.frames, "Only these, as in 1001-1010")->type_name("A-B");
    AddReport();
  }

  void AddReport() {
    CLI::App* report = Add("report", "Figures of mattes, frame by frame, and which frames to look at",
                           [this] { return RunReport(globals_, report_); });
    report->add_option("JOB", report_.of.stack, "Job id or stack file; default: the newest job");
    report->add_option("PASS", report_.passes,
                       "Passes, plates or masks; default: the foregrounds and mattes that are delivered");
    report->add_option("--set", report_.of.set, kSetHelp)->type_name("PATH=VALUE")->allow_extra_args(false);
    report->add_option("--frames", report_.frames, "Only these, as in 1001-1010")->type_name("A-B");
    report->add_option("--core", report_.core, "Matte in which all must be solid")->type_name("NAME");
    report->add_option("--garbage", report_.garbage, "Matte in which all must be clear")->type_name("NAME");
    report
        ->add_option("--plate", report_.plate,
                     "Picture to follow motion in; default: the plate that the pass comes from")
        ->type_name("NAME");
    report->add_option("--color", report_.color, "Foreground colour of a matte; default: a picture's own")
        ->type_name("NAME");
    report->add_option("--screen", report_.screen, "green or blue; default: as the first despill says")
        ->check(CLI::IsMember({"green", "blue"}));
    report->add_option("--clip", report_.clip, "Colour that counts as clipped; default: 1");
    report->footer(
        "\nSolid is 0.95 and more, clear is 0.02 and less. The columns:\n"
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
        "Frames to look at are those far above the shot's own median. Figures are kept like any result: the\n"
        "same report again renders nothing.\n"
        "  selvage report last\n"
        "  selvage report apiary_010.stack matte --core core --garbage garbage --frames 1010-1024");
  }

  void AddFarmCommands() {
    CLI::App* jobs = Add("jobs", "Jobs, newest first", [this] { return RunJobs(globals_, jobs_); });
    jobs->add_option("--limit", jobs_.limit, "How many")->capture_default_str()->check(CLI::Range(1, 10000));
    CLI::App* cancel =
        Add("cancel", "Stop a job; what it rendered is kept", [this] { return RunCancel(globals_, watch_); });
    cancel->add_option("JOB", watch_.job, "Job id, or `last`")->required();
    Add("workers", "Who renders", [this] { return RunWorkers(globals_); });
    CLI::App* cache = Add("cache", "What is kept, and what it saves",
                          [this] { return chosen_cache_ ? chosen_cache_() : RunCache(globals_, cache_); });
    cache->add_option("--stack", cache_.stack, "Pass by pass for this stack name")->type_name("NAME");
    cache->footer(
        "\nExamples:\n"
        "  selvage cache --stack apiary_010          frames held, size, time that reuse has saved\n"
        "  selvage cache verify                      after a crash of the disk\n"
        "  selvage cache release apiary_010          the shot is delivered: what it pinned may go\n"
        "  selvage cache backup /safe/selvage-monday");
    CLI::App* release = cache->add_subcommand("release", "Pin nothing of a stack any longer");
    release->callback([this] { chosen_cache_ = [this] { return RunRelease(globals_, release_); }; });
    release->add_option("STACK", release_.stack, "Name of the stack")->required();
    release->footer(
        "\nPasses with keep: ALWAYS stay in the cache as long as the newest plan of their stack has them, whatever\n"
        "room others need. When the shot is done, this lets them go like anything else; submitting the stack\n"
        "again pins them again.\n"
        "  selvage cache release apiary_010");
    CLI::App* verify = cache->add_subcommand("verify", "Read every tile; what is damaged becomes a miss");
    verify->callback([this] { chosen_cache_ = [this] { return RunVerify(globals_); }; });
    verify->footer("\nWork goes on meanwhile. A result that lacks a tile is rendered again when it is needed.");
    CLI::App* backup = cache->add_subcommand("backup", "A copy of the cache as of one moment, while work goes on");
    backup->callback([this] { chosen_cache_ = [this] { return RunBackup(globals_, backup_); }; });
    backup->add_option("DIR", backup_.folder, "A folder that does not exist yet, on the daemon's machine")->required();
    backup->footer(
        "\nOn the same file system it takes no room at first: files are linked. A daemon can be started on it:\n"
        "  selvage cache backup /safe/selvage-monday\n"
        "  selvaged --state /safe/selvage-monday");
    CLI::App* steps = Add("steps", "The operator manual", [this] { return RunSteps(globals_, steps_); });
    steps->add_option("NAME", steps_.name, "One operator");
  }

  CLI::App app_;
  Globals globals_;
  NewOptions new_;
  StackOptions stack_;
  SubmitOptions submit_;
  LookOptions look_;
  WhyOptions why_;
  InvalidateOptions invalidate_;
  WatchOptions watch_;
  FetchOptions fetch_;
  ReportOptions report_;
  JobsOptions jobs_;
  CacheOptions cache_;
  ReleaseOptions release_;
  BackupOptions backup_;
  StepsOptions steps_;
  Command chosen_;
  // A command below `cache`.
  Command chosen_cache_;
};

}  // namespace

int Report(const absl::Status& status) {
  if (status.ok()) return kOk;
  std::fprintf(stderr, "%s\n", std::string(status.message()).c_str());
  switch (status.code()) {
    case absl::StatusCode::kUnavailable:
    case absl::StatusCode::kDeadlineExceeded:
      return kNoDaemon;
    case absl::StatusCode::kAborted:
      return kJobFailed;
    case absl::StatusCode::kPermissionDenied:
      return kCannotWrite;
    default:
      return kRefused;
  }
}

absl::Status ParseFrames(const std::string& text, Frames* frames) {
  const size_t dash = text.find('-', 1);
  const std::string first = text.substr(0, dash);
  const std::string last = dash == std::string::npos ? first : text.substr(dash + 1);
  if (!absl::SimpleAtoi(first, &frames->first) || !absl::SimpleAtoi(last, &frames->last) ||
      frames->last < frames->first) {
    return absl::InvalidArgumentError(
        absl::StrCat("\"", text, "\" are no frames; expected A-B with A <= B, as in 1001-1010"));
  }
  return absl::OkStatus();
}

int RunCommandLine(int argc, char** argv) { return CommandLine().Run(argc, argv); }

}  // namespace selvage::client
