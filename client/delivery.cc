#include "client/delivery.h"

#include <algorithm>
#include <filesystem>

#include "absl/strings/str_cat.h"
#include "client/write_file.h"
#include "absl/strings/match.h"
#include "proto/frame_pattern.h"
#include "proto/proxy.h"

namespace selvage::client {

namespace fs = std::filesystem;

namespace {

// Puts the mark before the ending of the name that the path ends with.
void MarkBeforeEnding(const std::string& mark, std::string* path) {
  const size_t name = path->rfind('/') + 1, dot = path->rfind('.');
  const bool has_ending = dot != std::string::npos && dot > name;
  path->insert(has_ending ? dot : path->size(), "_" + mark);
}

// The name itself says the size: before the frame number, or before its ending where the
// number is not in it.
FilePattern Marked(const FilePattern& pattern, uint32_t proxy) {
  if (proxy <= 1) return pattern;
  const std::string words = SizeInWords(proxy), mark = words.substr(0, words.find(' '));
  FilePattern marked = pattern;
  if (pattern.still() || absl::StrContains(pattern.after, '/')) {
    MarkBeforeEnding(mark, pattern.still() ? &marked.before : &marked.after);
    return marked;
  }
  std::string& before = marked.before;
  const bool begins_name = before.empty() || before.back() == '/';
  const bool separated = absl::EndsWith(before, ".") || absl::EndsWith(before, "_") || absl::EndsWith(before, "-");
  if (separated) {
    before.insert(before.size() - 1, "_" + mark);
  } else {
    absl::StrAppend(&before, begins_name ? "" : "_", mark, ".");
  }
  return marked;
}

// What the files are remembered by: those of another size are another deliverable's.
std::string WrittenAs(const Stack& stack, const Deliverable& d) {
  return stack.proxy() > 1 ? absl::StrCat(d.name(), " at ", SizeInWords(stack.proxy())) : d.name();
}

}  // namespace

Delivery::Delivery(Connection* connection, const Stack& stack, const std::string& job, const Deliverable& deliverable,
                   Stopper* stopper)
    : connection_(connection),
      stopper_(stopper),
      written_(connection, stack, WrittenAs(stack, deliverable)),
      reduced_(stack.proxy() > 1) {
  request_.set_job_id(job);
  request_.set_deliverable(deliverable.name());
}

absl::Status Delivery::Check(std::vector<FileToWrite>* files, bool overwrite) {
  return written_.Check(files, overwrite && !reduced_,
                        [this](const FileToWrite& file) { return ExpectedAt(file.frame); });
}

absl::StatusOr<Delivery::Written> Delivery::Write(const FileToWrite& file) {
  if (file.state == FileToWrite::kSame) {
    RETURN_IF_ERROR(written_.Note(file.path, file.digest));
    std::error_code error;
    const auto bytes = fs::file_size(file.path, error);
    return Written{error ? 0 : bytes, file.digest, origins_[file.frame]};
  }
  request_.set_frame(file.frame);
  const auto open = [&](grpc::ClientContext* context, uint64_t offset) {
    request_.set_offset(offset);
    return connection_->jobs().Fetch(context, request_);
  };
  ASSIGN_OR_RETURN(ReceivedFile received, ReceiveFile(*connection_, open, stopper_), Where(file.frame));
  RETURN_IF_ERROR(WriteFileAtomically(file.path, received.bytes));
  const Digest digest = Sha256(received.bytes);
  RETURN_IF_ERROR(written_.Note(file.path, digest));
  return Written{received.bytes.size(), digest, std::move(received.origin)};
}

// What the frame's file will hold: the first chunk says it.
absl::StatusOr<Digest> Delivery::ExpectedAt(int frame) {
  request_.set_frame(frame);
  request_.set_offset(0);
  const StoppableCall context(stopper_, connection_->Stream());
  const auto stream = connection_->jobs().Fetch(context.get(), request_);
  FileChunk chunk;
  const bool any = stream->Read(&chunk);
  context.get()->TryCancel();
  const grpc::Status status = stream->Finish();
  const auto digest = Digest::FromBytes(chunk.digest());
  if (any && digest) {
    origins_[frame] = std::move(*chunk.mutable_origin());
    return *digest;
  }
  RETURN_IF_ERROR(connection_->Explain(status), Where(frame));
  return Where(frame)(absl::DataLossError("the daemon does not say what the file holds; try again"));
}

absl::StatusOr<std::vector<FileToWrite>> FilesOf(const Stack& stack, uint32_t version, const Deliverable& d,
                                                 const Frames& wanted, const std::string& to) {
  const FrameRange& range = d.has_frames() ? d.frames() : stack.frames();
  ASSIGN_OR_RETURN(const FilePattern full, ParsePattern(FillBraces(d.files(), stack.name(), version)),
                   Annotate("deliverable \"", d.name(), "\" files"));
  const FilePattern pattern = Marked(full, stack.proxy());
  std::vector<FileToWrite> files;
  for (int frame = std::max(range.first(), wanted.first); frame <= std::min(range.last(), wanted.last); ++frame) {
    fs::path path = pattern.At(frame);
    // A folder a deliverable: their files may have the same names.
    if (!to.empty()) path = fs::path(to) / d.name() / path.filename();
    files.push_back({frame, fs::absolute(path).lexically_normal().string()});
  }
  if (files.empty()) {
    return absl::InvalidArgumentError(absl::StrCat("deliverable \"", d.name(), "\" covers frames ", range.first(), "-",
                                                   range.last(), "; none of them is among ", wanted.first, "-",
                                                   wanted.last));
  }
  return files;
}

const char* StateWord(FileToWrite::State state) {
  return state == FileToWrite::kNew ? "written" : state == FileToWrite::kSame ? "unchanged" : "replaced";
}

}  // namespace selvage::client
