// `selvage fetch`: brings finished frames home.
#include <cstdio>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "proto/frame_pattern.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

absl::Status FetchFrame(Connection& connection, const std::string& job, const Deliverable& deliverable, int frame,
                        const std::string& path) {
  FetchRequest request;
  request.set_job_id(job);
  request.set_deliverable(deliverable.name());
  request.set_frame(frame);
  const auto open = [&](grpc::ClientContext* context, uint64_t offset) {
    request.set_offset(offset);
    return connection.jobs().Fetch(context, request);
  };
  const Annotate where(deliverable.name(), " frame ", frame);
  ASSIGN_OR_RETURN(const ReceivedFile file, ReceiveFile(connection, open), where);
  return WriteFileAtomically(path, file.bytes);
}

}  // namespace

absl::Status RunFetch(const Globals& globals, const FetchOptions& options) {
  Connection connection(globals);
  ASSIGN_OR_RETURN(const std::string job, ResolveJob(connection, options.job));
  JobRef ref;
  ref.set_job_id(job);
  GetJobReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().GetJob(context.get(), ref, &reply)));
  Frames wanted{INT32_MIN, INT32_MAX};
  if (!options.frames.empty()) RETURN_IF_ERROR(ParseFrames(options.frames, &wanted));
  bool found = false;
  for (const Deliverable& d : reply.stack().deliver()) {
    if (!options.deliverable.empty() && d.name() != options.deliverable) continue;
    found = true;
    const FrameRange& range = d.has_frames() ? d.frames() : reply.stack().frames();
    ASSIGN_OR_RETURN(const FilePattern files, ParsePattern(d.files()),
                     Annotate("deliverable \"", d.name(), "\" files"));
    int written = 0;
    std::string last;
    for (int frame = std::max(range.first(), wanted.first); frame <= std::min(range.last(), wanted.last); ++frame) {
      std::string path = files.At(frame);
      // A folder a deliverable: their files may have the same names.
      if (!options.to.empty())
        path = (std::filesystem::path(options.to) / d.name() / std::filesystem::path(path).filename()).string();
      RETURN_IF_ERROR(FetchFrame(connection, job, d, frame, path));
      last = path;
      ++written;
    }
    if (!globals.json) std::printf("%s: %d files, the last is %s\n", d.name().c_str(), written, last.c_str());
    if (written == 0) {
      return absl::InvalidArgumentError(absl::StrCat("deliverable \"", d.name(), "\" covers frames ", range.first(),
                                                     "-", range.last(), "; none of them was asked for"));
    }
  }
  if (!found) {
    std::string names;
    for (const Deliverable& d : reply.stack().deliver()) absl::StrAppend(&names, names.empty() ? "" : ", ", d.name());
    return absl::NotFoundError(
        absl::StrCat("job ", job, " has no deliverable \"", options.deliverable, "\"; it has: ", names));
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
