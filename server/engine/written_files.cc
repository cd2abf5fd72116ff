#include "server/engine/written_files.h"

#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/state.pb.h"
#include "proto/status.h"
#include "server/engine/state_format.h"

namespace selvage {
namespace {

constexpr int kMaxFiles = 1000;
constexpr size_t kMaxPath = 4096, kMaxName = 256;
// Counting reads them all: not after every fetch.
constexpr size_t kCountAfter = 10'000;

absl::Status CheckText(const char* what, const std::string& text, size_t max) {
  if (text.empty() || text.size() > max || text.find('\0') != std::string::npos) {
    return absl::InvalidArgumentError(
        absl::StrCat(what, " has ", text.size(), " bytes; it must have 1 to ", max, ", none of them 0"));
  }
  return absl::OkStatus();
}

absl::Status CheckPath(const std::string& path) {
  RETURN_IF_ERROR(CheckText("path", path, kMaxPath));
  if (path[0] == '/') return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("path \"", path, "\" must be absolute"));
}

template <class Request>
absl::Status CheckPlace(const Request& r, int files) {
  RETURN_IF_ERROR(CheckText("stack_name", r.stack_name(), kMaxName));
  RETURN_IF_ERROR(CheckText("deliverable", r.deliverable(), kMaxName));
  RETURN_IF_ERROR(CheckText("host", r.host(), kMaxName));
  if (files <= kMaxFiles) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat(files, " files; at most ", kMaxFiles, " in one request"));
}

absl::Status Check(const RecordWrittenRequest& r) {
  RETURN_IF_ERROR(CheckPlace(r, r.file_size()));
  for (const WrittenFile& f : r.file()) {
    RETURN_IF_ERROR(CheckPath(f.path()));
    if (f.digest().size() == sizeof Digest::bytes) continue;
    return absl::InvalidArgumentError(
        absl::StrCat("the digest of \"", f.path(), "\" has ", f.digest().size(), " bytes; it must have 32"));
  }
  return absl::OkStatus();
}

absl::Status Check(const FindWrittenRequest& r) {
  RETURN_IF_ERROR(CheckPlace(r, r.path_size()));
  for (const std::string& path : r.path()) RETURN_IF_ERROR(CheckPath(path));
  return absl::OkStatus();
}

}  // namespace

void WrittenFiles::Record(const RecordWrittenRequest& request, Then<RecordWrittenReply> then) {
  if (absl::Status bad = Check(request); !bad.ok()) return then(bad);
  IndexBatch batch;
  for (const WrittenFile& f : request.file()) {
    WrittenRow row;
    row.set_digest(f.digest());
    row.set_written_unix_ms(tools_->UnixNow());
    batch.values.emplace_back(state::WrittenName(request.stack_name(), request.deliverable(), request.host(), f.path()),
                              row.SerializeAsString());
  }
  uncounted_ += batch.values.size();
  commits_->Add(std::move(batch), [this, then = std::move(then)](const absl::StatusOr<uint64_t>& done) {
    if (uncounted_ >= std::min(kCountAfter, tools_->options.written_files)) Bound();
    if (!done.ok()) return then(done.status());
    then(RecordWrittenReply());
  });
}

void WrittenFiles::Find(const FindWrittenRequest& request, Then<FindWrittenReply> then) {
  if (absl::Status bad = Check(request); !bad.ok()) return then(bad);
  tools_->pool->Post([this, request, then = std::move(then)] {
    FindWrittenReply reply;
    for (const std::string& path : request.path()) {
      auto value = tools_->cache.index->FindValue(
          state::WrittenName(request.stack_name(), request.deliverable(), request.host(), path));
      if (!value.ok()) return then(value.status());
      WrittenRow row;
      if (!*value || !row.ParseFromString(**value)) continue;
      WrittenFile* file = reply.add_file();
      file->set_path(path);
      file->set_digest(row.digest());
    }
    then(std::move(reply));
  });
}

void WrittenFiles::Bound() {
  uncounted_ = 0;
  tools_->pool->Post([this] {
    const auto rows = tools_->cache.index->ListValues(state::kWrittenPrefix);
    if (!rows.ok() || rows->size() <= tools_->options.written_files) return;
    std::vector<std::pair<int64_t, std::string>> oldest;
    for (const auto& [name, value] : *rows) {
      WrittenRow row;
      (void)row.ParseFromString(value);
      oldest.emplace_back(row.written_unix_ms(), name);
    }
    std::sort(oldest.begin(), oldest.end());
    oldest.resize(oldest.size() - tools_->options.written_files);
    IndexBatch batch;
    for (const auto& [when, name] : oldest) batch.values.emplace_back(name, "");
    commits_->AddSometime(std::move(batch));
  });
}

}  // namespace selvage
