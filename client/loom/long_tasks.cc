#include "client/loom/long_tasks.h"

#include <algorithm>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "client/delivery.h"
#include "client/json.h"
#include "client/loom/json_writer.h"
#include "client/report/frames_to_look_at.h"
#include "client/report/measuring.h"
#include "client/report/report_passes.h"
#include "client/write_file.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Ended ones that can still be asked for.
constexpr size_t kMostTasks = 16;
constexpr size_t kMostFigures = 400'000;

absl::Status RefuseStack(const google::protobuf::RepeatedPtrField<StackError>& errors) {
  if (errors.empty()) return absl::OkStatus();
  return absl::InvalidArgumentError(errors[0].message());
}

std::string FilesJson(const std::string& name, const std::vector<FileToWrite>& files) {
  JsonWriter out;
  out.Object().Text("name", name).Key("file").Array();
  for (const FileToWrite& f : files) {
    out.Object().Whole("frame", f.frame).Text("path", f.path).Text("state", StateWord(f.state)).EndObject();
  }
  return out.EndArray().EndObject().Take();
}

}  // namespace

LongTasks::LongTasks(Connection* connection, Tell tell) : connection_(connection), tell_(std::move(tell)) {}

LongTasks::~LongTasks() { Stop(); }

absl::StatusOr<std::string> LongTasks::Begin(const std::string& kind, Work work) {
  auto task = std::make_shared<Task>();
  std::lock_guard<std::mutex> lock(mutex_);
  task->kind = kind;
  task->id = absl::StrCat(next_id_++);
  const bool runs = pool_.Run([this, task, work = std::move(work)] {
    const auto progress = [&](size_t done, size_t of) {
      std::string event;
      {
        std::lock_guard<std::mutex> inner(mutex_);
        task->done = done;
        task->of = of;
        event = Event(*task, false);
      }
      tell_(task->kind, task->id, event);
    };
    absl::StatusOr<std::string> more = work(progress);
    std::string event;
    {
      std::lock_guard<std::mutex> inner(mutex_);
      task->state = more.ok() ? "done" : "failed";
      if (more.ok()) task->done = task->of;
      if (!more.ok()) task->message = std::string(more.status().message());
      if (more.ok()) task->more = *std::move(more);
      event = Event(*task, false);
    }
    tell_(task->kind, task->id, event);
  });
  if (!runs) return absl::ResourceExhaustedError("too many reports and fetches at once: wait for one to end");
  tasks_.push_back(task);
  while (tasks_.size() > kMostTasks) tasks_.pop_front();
  return task->id;
}

std::string LongTasks::Event(const Task& task, bool whole) const {
  JsonWriter out;
  out.Object().Text("id", task.id).Text("state", task.state).Whole("done", static_cast<int64_t>(task.done));
  out.Whole("of", static_cast<int64_t>(task.of)).Text("message", task.message);
  std::string text = out.EndObject().Take();
  if (whole && !task.more.empty()) {
    text.pop_back();
    absl::StrAppend(&text, ",", task.more, "}");
  }
  return text;
}

absl::StatusOr<std::string> LongTasks::Json(const std::string& kind, const std::string& id) const {
  std::lock_guard<std::mutex> lock(mutex_);
  for (const auto& task : tasks_) {
    if (task->kind == kind && task->id == id) return Event(*task, true);
  }
  return absl::NotFoundError(absl::StrCat("there is no ", kind, " \"", id.substr(0, 50), "\" (any more)"));
}

absl::StatusOr<std::string> LongTasks::Report(const Stack& stack, const ReportWish& wish) {
  const std::vector<std::string> passes = wish.passes.empty() ? PassesToReport(stack) : wish.passes;
  if (passes.empty()) {
    return absl::InvalidArgumentError(
        "the stack delivers no matte and nothing with an alpha: say which pass to measure");
  }
  Frames frames{stack.frames().first(), stack.frames().last()};
  if (wish.first) frames.first = std::max(frames.first, *wish.first);
  if (wish.last) frames.last = std::min(frames.last, *wish.last);
  if (frames.last < frames.first) return absl::InvalidArgumentError("none of these frames is in the stack");
  if (passes.size() * (static_cast<size_t>(frames.last - frames.first) + 1) > kMostFigures) {
    return absl::InvalidArgumentError("too many passes and frames for one report");
  }
  auto report = std::make_shared<ShotReport>();
  report->set_stack_name(stack.name());
  for (const std::string& pass : passes) {
    PassReport* of = report->add_pass();
    of->set_pass(pass);
    for (int f = frames.first; f <= frames.last; ++f) of->add_frame()->set_frame(f);
  }
  return Begin("report", [this, report, stack, wish](const Progress& progress) -> absl::StatusOr<std::string> {
    MeasureMatte measure;
    measure.set_core(wish.core);
    measure.set_garbage(wish.garbage);
    measure.set_screen(ScreenToReport(stack));
    const absl::Status measured =
        Measuring(connection_, stack, measure, RefuseStack, report.get()).Run(progress, &stopper_);
    RETURN_IF_ERROR(measured);
    if (stopper_.stopped()) return absl::CancelledError("the loom has ended");
    for (PassReport& pass : *report->mutable_pass()) {
      for (Finding& f : FramesToLookAt(pass, {wish.core, wish.garbage})) *pass.add_finding() = std::move(f);
    }
    return absl::StrCat("\"report\":", JsonOf(*report));
  });
}

absl::StatusOr<std::string> LongTasks::Fetch(const GetJobReply& job, const FetchWish& wish) {
  const Stack& stack = job.stack();
  const bool known =
      wish.deliverable.empty() || std::any_of(stack.deliver().begin(), stack.deliver().end(),
                                              [&](const Deliverable& d) { return d.name() == wish.deliverable; });
  if (!known) {
    return absl::NotFoundError(absl::StrCat("the job's stack has no deliverable \"", wish.deliverable, "\""));
  }
  return Begin("fetch", [this, job, wish](const Progress& progress) -> absl::StatusOr<std::string> {
    const Stack& stack = job.stack();
    std::string list;
    size_t done = 0, of = 0;
    std::vector<std::pair<const Deliverable*, std::vector<FileToWrite>>> all;
    for (const Deliverable& d : stack.deliver()) {
      if (!wish.deliverable.empty() && d.name() != wish.deliverable) continue;
      ASSIGN_OR_RETURN(std::vector<FileToWrite> files, FilesOf(stack, job.progress().version(), d, wish.frames, ""));
      of += files.size();
      all.push_back({&d, std::move(files)});
    }
    progress(done, of);
    for (auto& [d, files] : all) {
      Delivery delivery(connection_, stack, job.progress().job_id(), *d, &stopper_);
      RETURN_IF_ERROR(delivery.Check(&files, wish.overwrite));
      for (const FileToWrite& file : files) {
        if (stopper_.stopped()) return absl::CancelledError("the loom has ended");
        RETURN_IF_ERROR(MakeFolderOf(file.path).status());
        RETURN_IF_ERROR(delivery.Write(file).status());
        progress(++done, of);
      }
      RETURN_IF_ERROR(delivery.End());
      absl::StrAppend(&list, list.empty() ? "" : ",", FilesJson(d->name(), files));
    }
    return absl::StrCat("\"deliverable\":[", list, "]");
  });
}

std::string DeliverablesJson(const GetJobReply& job) {
  const Stack& stack = job.stack();
  JsonWriter out;
  out.Object().Text("job", job.progress().job_id()).Key("deliverable").Array();
  for (const Deliverable& d : stack.deliver()) {
    const FrameRange& range = d.has_frames() ? d.frames() : stack.frames();
    out.Object().Text("name", d.name()).Text("from", d.from()).Text("files", d.files());
    out.Whole("first", range.first()).Whole("last", range.last());
    int there = 0, missing = 0;
    std::error_code error;
    if (const auto files = FilesOf(stack, job.progress().version(), d, {INT32_MIN, INT32_MAX}, ""); files.ok()) {
      for (const FileToWrite& file : *files) ++(std::filesystem::exists(file.path, error) ? there : missing);
    }
    out.Whole("there", there).Whole("missing", missing).EndObject();
  }
  return out.EndArray().EndObject().Take();
}

}  // namespace selvage::client
