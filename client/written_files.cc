#include "client/written_files.h"

#include <algorithm>
#include <filesystem>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "client/file_digest.h"
#include "client/owner.h"
#include "proto/frame_pattern.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

// Of the proto: paths a request.
constexpr int kMostPaths = 1000;
// Noted files are told this often, so that a fetch that ends early leaves few unknown.
constexpr int kNotedAtMost = 50;
constexpr size_t kShown = 4;

// Links in folders are resolved; the name itself is what a rename would replace.
std::string RealPlace(const std::string& path) {
  std::error_code error;
  const fs::path folder = fs::weakly_canonical(fs::path(path).parent_path(), error);
  return error ? path : (folder / fs::path(path).filename()).string();
}

bool IsFrameOf(const std::string& path, const FilePattern& files) {
  if (files.still()) return path == files.before;
  if (!absl::StartsWith(path, files.before) || !absl::EndsWith(path, files.after)) return false;
  if (path.size() <= files.before.size() + files.after.size()) return false;
  const size_t size = path.size() - files.before.size() - files.after.size();
  const std::string number = path.substr(files.before.size(), size);
  return std::all_of(number.begin() + (number[0] == '-' ? 1 : 0), number.end(),
                     [](unsigned char c) { return absl::ascii_isdigit(c); });
}

std::string FirstOf(const std::vector<std::string>& paths) {
  std::string text;
  for (size_t i = 0; i < std::min(kShown, paths.size()); ++i) absl::StrAppend(&text, "\n  ", paths[i]);
  if (paths.size() > kShown) absl::StrAppend(&text, "\n  and ", paths.size() - kShown, " more");
  return text;
}

std::string Files(size_t count) { return count == 1 ? "1 file" : absl::StrCat(count, " files"); }

}  // namespace

bool IsPlateFile(const std::string& path, const Stack& stack) {
  for (const Plate& plate : stack.plate()) {
    auto files = ParsePattern(plate.files());
    if (!files.ok()) continue;
    if (IsFrameOf(path, *files)) return true;
    files->before = RealPlace(files->before);
    if (IsFrameOf(RealPlace(path), *files)) return true;
  }
  return false;
}

absl::StatusOr<std::map<std::string, Digest>> WrittenFiles::Remembered(const std::vector<FileToWrite>& files) {
  std::map<std::string, Digest> remembered;
  FindWrittenRequest request;
  const auto ask = [&]() -> absl::Status {
    if (request.path_size() == 0) return absl::OkStatus();
    request.set_stack_name(stack_.name());
    request.set_deliverable(deliverable_);
    request.set_host(HostName());
    FindWrittenReply reply;
    auto context = connection_->Call();
    RETURN_IF_ERROR(connection_->Explain(connection_->jobs().FindWritten(context.get(), request, &reply)));
    for (const WrittenFile& file : reply.file()) {
      if (const auto digest = Digest::FromBytes(file.digest())) remembered[file.path()] = *digest;
    }
    request.Clear();
    return absl::OkStatus();
  };
  for (const FileToWrite& file : files) {
    request.add_path(file.path);
    if (request.path_size() == kMostPaths) RETURN_IF_ERROR(ask());
  }
  RETURN_IF_ERROR(ask());
  return remembered;
}

absl::Status WrittenFiles::Check(std::vector<FileToWrite>* files, bool overwrite, const Expected& expected) {
  std::vector<std::string> plates, foreign;
  std::vector<FileToWrite> there;
  std::error_code error;
  for (const FileToWrite& file : *files) {
    if (IsPlateFile(file.path, stack_)) plates.push_back(file.path);
    if (fs::exists(file.path, error)) there.push_back(file);
  }
  if (!plates.empty()) {
    return absl::PermissionDeniedError(absl::StrCat(
        "deliverable \"", deliverable_, "\" would be written over a plate of its stack; nothing was written. ",
        "Give it other files, or another folder with --to:", FirstOf(plates)));
  }
  if (there.empty()) return absl::OkStatus();
  ASSIGN_OR_RETURN(const auto remembered, Remembered(there));
  for (FileToWrite& file : *files) {
    if (!fs::exists(file.path, error)) continue;
    ASSIGN_OR_RETURN(const Digest present, DigestOfFile(file.path), [](const absl::Status& status) {
      return absl::PermissionDeniedError(absl::StrCat(status.message(), ", so it is not replaced"));
    });
    ASSIGN_OR_RETURN(file.digest, expected(file));
    file.state = present == file.digest ? FileToWrite::kSame : FileToWrite::kReplaced;
    const auto known = remembered.find(file.path);
    const bool own = known != remembered.end() && known->second == present;
    if (file.state == FileToWrite::kReplaced && !own && !overwrite) foreign.push_back(file.path);
  }
  if (foreign.empty()) return absl::OkStatus();
  return absl::PermissionDeniedError(
      absl::StrCat(Files(foreign.size()), " of deliverable \"", deliverable_, "\" would be replaced that ",
                   foreign.size() == 1 ? "was" : "were", " not written by it, or changed since; nothing was written. ",
                   "--overwrite replaces them, --to writes to another folder:", FirstOf(foreign)));
}

absl::Status WrittenFiles::Note(const std::string& path, const Digest& digest) {
  WrittenFile* file = noted_.add_file();
  file->set_path(path);
  file->set_digest(digest.str());
  return noted_.file_size() < kNotedAtMost ? absl::OkStatus() : Record();
}

absl::Status WrittenFiles::Record() {
  if (noted_.file_size() == 0) return absl::OkStatus();
  noted_.set_stack_name(stack_.name());
  noted_.set_deliverable(deliverable_);
  noted_.set_host(HostName());
  RecordWrittenReply reply;
  auto context = connection_->Call();
  const absl::Status status = connection_->Explain(connection_->jobs().RecordWritten(context.get(), noted_, &reply));
  noted_.Clear();
  return status;
}

}  // namespace selvage::client
