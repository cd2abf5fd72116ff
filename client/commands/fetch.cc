// `selvage fetch`: brings finished frames home.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/frames.h"
#include "client/json.h"
#include "client/write_file.h"
#include "client/written_files.h"
#include "proto/catalogue.h"
#include "proto/frame_pattern.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

// One deliverable of a job.
class Delivery {
 public:
  Delivery(Connection* connection, const Stack& stack, const std::string& job, const Deliverable& deliverable)
      : connection_(connection), written_(connection, stack, deliverable.name()) {
    request_.set_job_id(job);
    request_.set_deliverable(deliverable.name());
  }

  absl::Status Check(std::vector<FileToWrite>* files, bool overwrite) {
    return written_.Check(files, overwrite, [this](const FileToWrite& file) { return ExpectedAt(file.frame); });
  }

  absl::Status Write(const FileToWrite& file) {
    if (file.state == FileToWrite::kSame) return written_.Note(file.path, file.digest);
    request_.set_frame(file.frame);
    const auto open = [&](grpc::ClientContext* context, uint64_t offset) {
      request_.set_offset(offset);
      return connection_->jobs().Fetch(context, request_);
    };
    ASSIGN_OR_RETURN(const ReceivedFile received, ReceiveFile(*connection_, open), Where(file.frame));
    RETURN_IF_ERROR(WriteFileAtomically(file.path, received.bytes));
    return written_.Note(file.path, Sha256(received.bytes));
  }

  absl::Status End() { return written_.Record(); }

 private:
  Annotate Where(int frame) const { return Annotate(request_.deliverable(), " frame ", frame); }

  // What the frame's file will hold: the first chunk says it.
  absl::StatusOr<Digest> ExpectedAt(int frame) {
    request_.set_frame(frame);
    request_.set_offset(0);
    const auto context = connection_->Stream();
    const auto stream = connection_->jobs().Fetch(context.get(), request_);
    FileChunk chunk;
    const bool any = stream->Read(&chunk);
    context->TryCancel();
    const grpc::Status status = stream->Finish();
    const auto digest = Digest::FromBytes(chunk.digest());
    if (any && digest) return *digest;
    RETURN_IF_ERROR(connection_->Explain(status), Where(frame));
    return Where(frame)(absl::DataLossError("the daemon does not say what the file holds; try again"));
  }

  Connection* connection_;
  FetchRequest request_;
  WrittenFiles written_;
};

const char* StateWord(FileToWrite::State state) {
  return state == FileToWrite::kNew ? "written" : state == FileToWrite::kSame ? "unchanged" : "replaced";
}

class Fetch final : public Command {
 public:
  CommandHelp help() const override {
    return {"fetch", Group::kResult, "Write the files of finished deliverables",
            "Every file is verified, and whole or not at all. A file that is there already is replaced only if the\n"
            "same deliverable wrote it and nobody has changed it since; --overwrite replaces others, too, but never\n"
            "a plate. Missing folders are made. {stack} and {version} in a path become its\n"
            "stack's name and the number of the submission.\n"
            "  selvage fetch                                    your newest job, to where its stack says\n"
            "  selvage fetch --to first_look --deliverable comp --frames 1010-1012"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("JOB", job_, "Job id, or `last`: your newest one")->capture_default_str();
    app->add_option("--to", to_, "Write to DIR/DELIVERABLE/ instead of where the stack says")->type_name("DIR");
    app->add_option("--deliverable", deliverable_, "Only this one; default: all")->type_name("NAME");
    app->add_option("--frames", frames_, "Only these, as in 1001-1010; default: all")->type_name("A-B");
    app->add_flag("--overwrite", overwrite_, "Replace files that this deliverable did not write, too");
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
    RETURN_IF_ERROR(CheckName(job, reply.stack()));
    JsonArray all;
    for (const Deliverable& d : reply.stack().deliver()) {
      if (!deliverable_.empty() && d.name() != deliverable_) continue;
      const FrameRange& range = d.has_frames() ? d.frames() : reply.stack().frames();
      ASSIGN_OR_RETURN(std::vector<FileToWrite> files,
                       FilesOf(d, range, wanted, reply.stack().name(), reply.progress().version()));
      Delivery delivery(&connection, reply.stack(), job, d);
      RETURN_IF_ERROR(delivery.Check(&files, overwrite_));
      for (const FileToWrite& file : files) {
        RETURN_IF_ERROR(MakeFolder(globals, file.path));
        RETURN_IF_ERROR(delivery.Write(file));
      }
      RETURN_IF_ERROR(delivery.End());
      if (!globals.json) Print(d.name(), files);
      all.Add(JsonOfFiles(d.name(), files));
    }
    if (globals.json) {
      std::fputs((JsonObject().Add("job_id", JsonText(job)).Add("deliverable", all.text()).text() + "\n").c_str(),
                 stdout);
    }
    return absl::OkStatus();
  }

 private:
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

  absl::StatusOr<std::vector<FileToWrite>> FilesOf(const Deliverable& d, const FrameRange& range, const Frames& wanted,
                                                   const std::string& stack, uint32_t version) const {
    ASSIGN_OR_RETURN(const FilePattern pattern, ParsePattern(FillBraces(d.files(), stack, version)),
                     Annotate("deliverable \"", d.name(), "\" files"));
    std::vector<FileToWrite> files;
    for (int frame = std::max(range.first(), wanted.first); frame <= std::min(range.last(), wanted.last); ++frame) {
      fs::path path = pattern.At(frame);
      // A folder a deliverable: their files may have the same names.
      if (!to_.empty()) path = fs::path(to_) / d.name() / path.filename();
      files.push_back({frame, fs::absolute(path).lexically_normal().string()});
    }
    if (files.empty()) {
      return absl::InvalidArgumentError(absl::StrCat("deliverable \"", d.name(), "\" covers frames ", range.first(),
                                                     "-", range.last(), "; --frames ", frames_, " has none of them"));
    }
    return files;
  }

  static absl::Status MakeFolder(const Globals& globals, const std::string& path) {
    ASSIGN_OR_RETURN(const bool made, MakeFolderOf(path));
    if (made && !globals.json) std::printf("made the folder %s\n", fs::path(path).parent_path().c_str());
    return absl::OkStatus();
  }

  static void Print(const std::string& name, const std::vector<FileToWrite>& files) {
    size_t same = 0, replaced = 0;
    for (const FileToWrite& f : files) {
      same += f.state == FileToWrite::kSame;
      replaced += f.state == FileToWrite::kReplaced;
    }
    std::string text = absl::StrCat(name, ": ", files.size(), files.size() == 1 ? " file" : " files");
    if (replaced > 0) absl::StrAppend(&text, ", ", replaced, " replaced");
    if (same > 0) absl::StrAppend(&text, ", ", same, " there already and unchanged");
    std::printf("%s; the last is %s\n", text.c_str(), files.back().path.c_str());
  }

  static std::string JsonOfFiles(const std::string& name, const std::vector<FileToWrite>& files) {
    JsonArray list;
    for (const FileToWrite& f : files) {
      list.Add(JsonObject()
                   .Add("frame", absl::StrCat(f.frame))
                   .Add("path", JsonText(f.path))
                   .Add("state", JsonText(StateWord(f.state)))
                   .text());
    }
    return JsonObject().Add("name", JsonText(name)).Add("file", list.text()).text();
  }

  std::string job_ = "last";
  std::string to_, deliverable_, frames_;
  bool overwrite_ = false;
};
REGISTER_COMMAND(Fetch);

}  // namespace
}  // namespace selvage::client
