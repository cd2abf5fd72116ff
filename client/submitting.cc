#include "client/submitting.h"

#include <unistd.h>

#include <cstdio>
#include <filesystem>
#include <map>

#include "absl/strings/str_cat.h"
#include "client/json.h"
#include "client/output.h"
#include "client/progress.h"
#include "client/random_id.h"
#include "client/shots.h"
#include "proto/frame_pattern.h"
#include "proto/proxy.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Longer texts are not kept with the version: the daemon takes 16 MiB in all.
constexpr size_t kLongestText = 4u << 20, kLargestRequest = 15u << 20;
constexpr size_t kLineWidth = 400;

// One shot of a list, and what became of it.
struct Shot {
  ListedShot listed;
  SubmitReply reply;
  JobProgress progress;
  absl::Status fault;
  // Of its stack.
  uint32_t proxy = 1;
};

// What was changed in the stack, as --set would have it.
std::vector<std::string> ChangesOf(const Stack& stack, const ShotList::Shot& shot) {
  std::vector<std::string> set;
  for (const ShotList::ShotPlate& p : shot.plate()) {
    for (const Plate& plate : stack.plate()) {
      if (plate.name() == p.name()) set.push_back(absl::StrCat(p.name(), ".files=", plate.files()));
    }
  }
  if (shot.has_frames()) {
    set.push_back(absl::StrCat("frames.first=", shot.frames().first()));
    set.push_back(absl::StrCat("frames.last=", shot.frames().last()));
  }
  set.insert(set.end(), shot.set().begin(), shot.set().end());
  return set;
}

// Files of two shots must not be the same ones: whose they were would depend on who is
// fetched last. Patterns that differ may still meet; a fetch looks at each file.
absl::Status CheckFiles(const Stack& stack, std::map<std::string, std::string>* owners) {
  for (const Deliverable& d : stack.deliver()) {
    const auto [owner, is_new] = owners->try_emplace(FillBraces(d.files(), stack.name(), 0), stack.name());
    if (is_new || owner->second == stack.name()) continue;
    return absl::InvalidArgumentError(absl::StrCat("deliver \"", d.name(), "\" would write the files of shot \"",
                                                   owner->second, "\": put {stack} into its `files`"));
  }
  return absl::OkStatus();
}

absl::Status SubmitOne(Connection& connection, const StackFile& file, const std::vector<std::string>& set,
                       const std::string& note, const std::string& folder, std::map<std::string, std::string>* owners,
                       Shot* shot) {
  RETURN_IF_ERROR(shot->listed.fault);
  Submission submission{{}, file.text(), set, note};
  ASSIGN_OR_RETURN(submission.stack, StackOfShot(file.stack(), shot->listed.shot, folder));
  RETURN_IF_ERROR(CheckFiles(submission.stack, owners));
  shot->proxy = submission.stack.proxy();
  for (const std::string& change : ChangesOf(submission.stack, shot->listed.shot)) submission.set.push_back(change);
  ASSIGN_OR_RETURN(shot->reply, Send(connection, submission));
  if (shot->reply.error_size() == 0) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat(
      shot->reply.error(0).message(),
      shot->reply.error_size() > 1 ? absl::StrCat(" (and ", shot->reply.error_size() - 1, " more faults)") : ""));
}

// The last message of the job.
absl::StatusOr<JobProgress> AwaitEnd(Connection& connection, const std::string& job) {
  JobProgress progress;
  for (int attempt = 0;; ++attempt) {
    WatchRequest request;
    request.set_job_id(job);
    auto context = connection.Stream();
    const auto stream = connection.jobs().Watch(context.get(), request);
    while (stream->Read(&progress)) attempt = 0;
    const grpc::Status status = stream->Finish();
    if (status.ok()) return progress;
    // A daemon that restarts takes the job up again.
    if (status.error_code() != grpc::StatusCode::UNAVAILABLE || attempt >= 120) return connection.Explain(status);
    ::sleep(1);
  }
}

void SayOne(const Globals& globals, const Shot& shot) {
  if (globals.json) return;
  const std::string& name = shot.listed.shot.name();
  if (!shot.fault.ok()) {
    std::fprintf(stderr, "%s: %s%s\n", shot.listed.where.c_str(), name.empty() ? "" : (name + ": ").c_str(),
                 std::string(shot.fault.message()).c_str());
  } else if (shot.progress.job_id().empty()) {
    const std::string size = shot.proxy > 1 ? " at " + SizeInWords(shot.proxy) : "";
    std::printf("job %s  version %u of %s%s\n", shot.reply.job_id().c_str(), shot.reply.version(), name.c_str(),
                size.c_str());
  } else {
    std::printf("%s\n", Headline(shot.progress, kLineWidth).c_str());
    for (const std::string& problem : shot.progress.problem()) std::printf("  problem: %s\n", problem.c_str());
    for (const StackError& e : shot.progress.error()) std::printf("  %s: %s\n", e.path().c_str(), e.message().c_str());
    if (shot.progress.warning_size() > 0) {
      std::printf("  %d warnings: selvage watch %s\n", shot.progress.warning_size(), shot.reply.job_id().c_str());
    }
  }
  std::fflush(stdout);
}

void SayJson(const std::vector<Shot>& shots) {
  JsonArray all;
  for (const Shot& shot : shots) {
    JsonObject one;
    one.Add("name", JsonText(shot.listed.shot.name())).Add("place", JsonText(shot.listed.where));
    one.Add("fault", JsonText(std::string(shot.fault.message()))).Add("job_id", JsonText(shot.reply.job_id()));
    one.Add("version", absl::StrCat(shot.reply.version()));
    if (!shot.progress.job_id().empty()) one.Add("progress", JsonOf(shot.progress));
    all.Add(one.text());
  }
  std::printf("%s\n", JsonObject().Add("shot", all.text()).text().c_str());
}

}  // namespace

SubmitRequest ToRequest(const Connection& connection, const Submission& submission) {
  SubmitRequest request;
  *request.mutable_stack() = submission.stack;
  request.set_note(submission.note);
  request.mutable_set()->Add(submission.set.begin(), submission.set.end());
  if (submission.text.size() <= kLongestText && request.ByteSizeLong() + submission.text.size() <= kLargestRequest) {
    request.set_text(submission.text);
  }
  request.set_request_id(RandomId());
  request.set_owner(connection.owner());
  return request;
}

absl::StatusOr<SubmitReply> Send(Connection& connection, const Submission& submission) {
  // A submission that is repeated after a lost answer is the same submission.
  const SubmitRequest request = ToRequest(connection, submission);
  SubmitReply reply;
  absl::Status sent;
  for (int attempt = 0; attempt < 3; ++attempt) {
    auto context = connection.Call();
    sent = connection.Explain(connection.jobs().Submit(context.get(), request, &reply));
    if (!absl::IsUnavailable(sent)) break;
    if (attempt < 2) ::usleep(300'000);
  }
  RETURN_IF_ERROR(sent);
  return reply;
}

absl::Status SubmitShots(const Globals& globals, Connection& connection, const StackFile& file,
                         const std::vector<std::string>& set, const std::string& note, const std::string& list,
                         bool watch) {
  ASSIGN_OR_RETURN(std::vector<ListedShot> listed, ReadShots(list));
  const std::string folder = std::filesystem::absolute(list).parent_path().string();
  std::map<std::string, std::string> owners;
  std::vector<Shot> shots;
  size_t faults = 0;
  for (ListedShot& one : listed) {
    Shot& shot = shots.emplace_back();
    shot.listed = std::move(one);
    shot.fault = SubmitOne(connection, file, set, note, folder, &owners, &shot);
    // Without a daemon none of them will do better.
    if (absl::IsUnavailable(shot.fault) || absl::IsPermissionDenied(shot.fault) ||
        absl::IsUnauthenticated(shot.fault)) {
      return shot.fault;
    }
    faults += !shot.fault.ok();
    SayOne(globals, shot);
  }
  size_t failed = 0;
  for (Shot& shot : shots) {
    if (!watch || !shot.fault.ok()) continue;
    ASSIGN_OR_RETURN(shot.progress, AwaitEnd(connection, shot.reply.job_id()));
    failed += shot.progress.state() != JOB_DONE;
    SayOne(globals, shot);
  }
  if (globals.json) SayJson(shots);
  if (faults > 0) {
    return absl::InvalidArgumentError(absl::StrCat(faults, " of ", shots.size(),
                                                   " shots have a fault and were not handed in; the others were",
                                                   failed > 0 ? absl::StrCat(", and ", failed, " failed") : ""));
  }
  if (failed == 0) return absl::OkStatus();
  return absl::AbortedError(absl::StrCat(failed, " of ", shots.size(), " shots failed"));
}

}  // namespace selvage::client
