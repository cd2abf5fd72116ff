// `selvage fetch`: brings finished frames home.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <optional>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/delivery.h"
#include "client/exit_code.h"
#include "client/frames.h"
#include "client/json.h"
#include "client/papers/papers.h"
#include "client/write_file.h"
#include "proto/catalogue.h"
#include "proto/proxy.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

class Fetch final : public Command {
 public:
  CommandHelp help() const override {
    return {
        "fetch", Group::kResult, "Write the files of finished deliverables",
        "Every file is verified, and whole or not at all. A file that is there already is replaced only if the\n"
        "same deliverable wrote it and nobody has changed it since; --overwrite replaces others, too, but never\n"
        "a plate. Missing folders are made. {stack} and {version} in a path become its\n"
        "stack's name and the number of the submission.\n"
        "A job at a smaller size (`submit --scale 1/2`) is fetched with --reduced only, and its files say their size:\n"
        "comp_half.1001.exr. They never replace those of the full size.\n"
        "--papers writes papers beside the files: which version of which stack each of them was made by, from\n"
        "which files of plates, and all their digests. `selvage verify` holds files against them. They are\n"
        "called like the files (comp.%04d.exr has comp.papers.json); fetching other frames adds to them.\n"
        "  selvage fetch                                    your newest job, to where its stack says\n"
        "  selvage fetch --papers                           and what each file was made from\n"
        "  selvage fetch --to first_look --deliverable comp --frames 1010-1012"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("JOB", job_, "Job id, or `last`: your newest one")->capture_default_str();
    app->add_option("--to", to_, "Write to DIR/DELIVERABLE/ instead of where the stack says")->type_name("DIR");
    app->add_option("--deliverable", deliverable_, "Only this one; default: all")->type_name("NAME");
    app->add_option("--frames", frames_, "Only these, as in 1001-1010; default: all")->type_name("A-B");
    app->add_flag("--papers", papers_, "Write papers of each deliverable beside its files");
    app->add_flag("--overwrite", overwrite_, "Replace files that this deliverable did not write, too");
    app->add_flag("--reduced", reduced_,
                  "Of a job at half, quarter or eighth size: write its files, with the size in their names");
  }

  absl::Status Run(const Globals& globals) override {
    Frames wanted{INT32_MIN, INT32_MAX};
    if (!frames_.empty()) {
      ASSIGN_OR_RETURN(wanted, ParseFrames(frames_));
    }
    Connection connection(globals);
    ASSIGN_OR_RETURN(const std::string job, ResolveJob(connection, job_));
    JobRef ref;
    ref.set_job_id(job);
    GetJobReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().GetJob(context.get(), ref, &reply)));
    RETURN_IF_ERROR(CheckSize(job, reply.stack().proxy()));
    RETURN_IF_ERROR(CheckName(job, reply.stack()));
    JsonArray all;
    for (const Deliverable& d : reply.stack().deliver()) {
      if (!deliverable_.empty() && d.name() != deliverable_) continue;
      ASSIGN_OR_RETURN(std::vector<FileToWrite> files,
                       FilesOf(reply.stack(), reply.progress().version(), d, wanted, to_));
      Delivery delivery(&connection, reply.stack(), job, d);
      if (papers_) delivery.AskOrigin();
      RETURN_IF_ERROR(delivery.Check(&files, overwrite_));
      std::optional<PapersWriter> papers;
      if (papers_) {
        ASSIGN_OR_RETURN(const std::string path, PapersPathOf(reply.stack(), reply.progress().version(), d, to_));
        ASSIGN_OR_RETURN(papers,
                         PapersWriter::Open(path, reply.stack(), reply.progress().version(), d.name(), overwrite_));
      }
      const absl::Status written = WriteFiles(globals, files, &delivery, papers ? &*papers : nullptr);
      // Of a fetch that ends early they tell what is there.
      if (papers) RETURN_IF_ERROR(papers->Write());
      RETURN_IF_ERROR(written);
      RETURN_IF_ERROR(delivery.End());
      if (papers) WarnOfSources(*papers);
      if (!globals.json) Print(d.name(), files, papers ? papers->path() : "");
      all.Add(JsonOfFiles(d.name(), files, papers ? papers->path() : ""));
    }
    if (globals.json) {
      std::fputs((JsonObject().Add("job_id", JsonText(job)).Add("deliverable", all.text()).text() + "\n").c_str(),
                 stdout);
    }
    return absl::OkStatus();
  }

 private:
  // Files of another size must not be taken for those that were ordered.
  absl::Status CheckSize(const std::string& job, uint32_t proxy) const {
    if (proxy <= 1) return absl::OkStatus();
    const std::string size = SizeInWords(proxy);
    if (!reduced_) {
      return absl::FailedPreconditionError(absl::StrCat(
          "job ", job, " was rendered at ", size, ": submit the stack at full size to deliver it, or write ",
          "these files with --reduced, under names like comp_", size.substr(0, size.find(' ')), ".1001.exr"));
    }
    if (papers_) return UsageError("--papers are those of a delivery at full size: leave --reduced out");
    if (overwrite_) return UsageError("--reduced replaces only files that it wrote itself: leave --overwrite out");
    return absl::OkStatus();
  }

  absl::Status CheckName(const std::string& job, const Stack& stack) const {
    std::vector<std::string> names;
    for (const Deliverable& d : stack.deliver()) names.push_back(d.name());
    if (deliverable_.empty() || std::find(names.begin(), names.end(), deliverable_) != names.end()) {
      return absl::OkStatus();
    }
    const std::string closest = ClosestName(deliverable_, names);
    return absl::NotFoundError(absl::StrCat("job ", job, " has no deliverable \"", deliverable_, "\"",
                                            closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?"),
                                            "; it has: ", absl::StrJoin(names, ", ")));
  }

  static absl::Status WriteFiles(const Globals& globals, const std::vector<FileToWrite>& files, Delivery* delivery,
                                 PapersWriter* papers) {
    for (const FileToWrite& file : files) {
      RETURN_IF_ERROR(MakeFolder(globals, file.path));
      ASSIGN_OR_RETURN(const Delivery::Written written, delivery->Write(file));
      if (papers != nullptr) papers->Add(file.path, file.frame, written.bytes, written.digest, written.origin);
    }
    return absl::OkStatus();
  }

  static void WarnOfSources(const PapersWriter& papers) {
    if (papers.without_sources() > 0) {
      std::fprintf(
          stderr,
          "warning: for %d of the files the daemon names no plates that they were made from; if there are some "
          "it has forgotten them: submit the stack again, then fetch again\n",
          papers.without_sources());
    }
    if (papers.unnamed_sources() > 0) {
      std::fprintf(stderr, "warning: the papers name 1000 sources a file at most; %llu more are left out\n",
                   static_cast<unsigned long long>(papers.unnamed_sources()));
    }
  }

  static absl::Status MakeFolder(const Globals& globals, const std::string& path) {
    ASSIGN_OR_RETURN(const bool made, MakeFolderOf(path));
    if (made && !globals.json) std::printf("made the folder %s\n", fs::path(path).parent_path().c_str());
    return absl::OkStatus();
  }

  static void Print(const std::string& name, const std::vector<FileToWrite>& files, const std::string& papers) {
    size_t same = 0, replaced = 0;
    for (const FileToWrite& f : files) {
      same += f.state == FileToWrite::kSame;
      replaced += f.state == FileToWrite::kReplaced;
    }
    std::string text = absl::StrCat(name, ": ", files.size(), files.size() == 1 ? " file" : " files");
    if (replaced > 0) absl::StrAppend(&text, ", ", replaced, " replaced");
    if (same > 0) absl::StrAppend(&text, ", ", same, " there already and unchanged");
    std::printf("%s; the last is %s\n", text.c_str(), files.back().path.c_str());
    if (!papers.empty()) std::printf("its papers are %s\n", papers.c_str());
  }

  static std::string JsonOfFiles(const std::string& name, const std::vector<FileToWrite>& files,
                                 const std::string& papers) {
    JsonArray list;
    for (const FileToWrite& f : files) {
      list.Add(JsonObject()
                   .Add("frame", absl::StrCat(f.frame))
                   .Add("path", JsonText(f.path))
                   .Add("state", JsonText(StateWord(f.state)))
                   .text());
    }
    JsonObject json;
    json.Add("name", JsonText(name)).Add("file", list.text());
    if (!papers.empty()) json.Add("papers", JsonText(papers));
    return json.text();
  }

  std::string job_ = "last";
  std::string to_, deliverable_, frames_;
  bool overwrite_ = false, papers_ = false, reduced_ = false;
};
REGISTER_COMMAND(Fetch);

}  // namespace
}  // namespace selvage::client
