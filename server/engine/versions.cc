#include "server/engine/versions.h"

#include <algorithm>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "server/engine/state_format.h"

namespace selvage {
namespace {

constexpr size_t kMaxNote = 1000, kMaxText = 4u << 20, kMaxSets = 1000, kMaxSet = 4096;
constexpr uint32_t kDefaultListed = 100;

absl::Status TooLong(const char* what, size_t has, size_t allowed) {
  return absl::InvalidArgumentError(absl::StrCat(what, " has ", has, " bytes, allowed ", allowed));
}

}  // namespace

absl::Status Versions::Load() {
  ASSIGN_OR_RETURN(const auto rows, tools_->cache.index->ListValues(state::kVersionPrefix));
  for (const auto& [name, value] : rows) {
    Known known;
    const auto bytes = state::ParseVersion(value, &known.version);
    // Remembered for people only: what cannot be read is left out.
    if (!bytes) continue;
    known.bytes = *bytes;
    bytes_ += known.bytes;
    ++count_;
    stacks_[known.version.stack_name()][known.version.number()] = std::move(known);
  }
  return absl::OkStatus();
}

absl::Status Versions::Check(const SubmitRequest& request) {
  if (request.note().size() > kMaxNote) return TooLong("the note", request.note().size(), kMaxNote);
  for (const char c : request.note()) {
    if (absl::ascii_iscntrl(static_cast<unsigned char>(c))) {
      return absl::InvalidArgumentError("the note must be one line without control characters");
    }
  }
  if (request.text().size() > kMaxText) return TooLong("the stack's text", request.text().size(), kMaxText);
  if (static_cast<size_t>(request.set_size()) > kMaxSets) {
    return absl::InvalidArgumentError(absl::StrCat(request.set_size(), " values are set, allowed ", kMaxSets));
  }
  for (const std::string& set : request.set()) {
    if (set.size() > kMaxSet) return TooLong("a value that is set", set.size(), kMaxSet);
  }
  return absl::OkStatus();
}

uint32_t Versions::Add(StackVersion version, const Stack& stack, const std::string& text, IndexBatch* batch) {
  const std::string& name = stack.name();
  Numbered& of = stacks_[name];
  const uint32_t number = of.empty() ? 1 : of.rbegin()->first + 1;
  version.set_stack_name(name);
  version.set_number(number);
  version.set_has_text(!text.empty());
  std::string content = stack.SerializeAsString();
  Known known{std::move(version), content.size() + text.size()};
  batch->values.emplace_back(state::VersionName(name, number), state::VersionValue(known.bytes, known.version));
  batch->values.emplace_back(state::VersionStackName(name, number), std::move(content));
  if (!text.empty()) batch->values.emplace_back(state::VersionTextName(name, number), text);
  bytes_ += known.bytes;
  ++count_;
  of[number] = std::move(known);
  ForgetOldest(name, batch);
  return number;
}

// The newest one stays, however large.
void Versions::ForgetOldest(const std::string& stack, IndexBatch* batch) {
  const EngineOptions& options = tools_->options;
  Numbered& of = stacks_[stack];
  uint64_t bytes = 0;
  for (const auto& [number, known] : of) bytes += known.bytes;
  while (of.size() > 1 && (of.size() > options.versions || bytes > options.version_bytes)) {
    bytes -= of.begin()->second.bytes;
    Drop(&of, of.begin(), batch);
  }
  // Of all stacks together: each gives its oldest, those that were submitted first.
  while (bytes_ > options.all_version_bytes || count_ > options.all_versions) {
    Numbered* oldest = nullptr;
    for (auto& [name, versions] : stacks_) {
      if (versions.size() < 2) continue;
      const auto when = [](const Numbered* v) { return v->begin()->second.version.submitted_unix_ms(); };
      if (oldest == nullptr || when(&versions) < when(oldest)) oldest = &versions;
    }
    if (oldest == nullptr) return;
    Drop(oldest, oldest->begin(), batch);
  }
}

void Versions::Drop(Numbered* of, Numbered::iterator which, IndexBatch* batch) {
  const std::string& stack = which->second.version.stack_name();
  for (const std::string& name : {state::VersionName(stack, which->first), state::VersionStackName(stack, which->first),
                                  state::VersionTextName(stack, which->first)}) {
    batch->values.emplace_back(name, "");
  }
  bytes_ -= which->second.bytes;
  --count_;
  of->erase(which);
}

void Versions::End(const JobProgress& job, IndexBatch* batch) {
  const auto stack = stacks_.find(job.stack_name());
  if (stack == stacks_.end()) return;
  const auto found = stack->second.find(job.version());
  // Numbers begin anew for a stack that was forgotten.
  if (found == stack->second.end() || found->second.version.job_id() != job.job_id()) return;
  StackVersion& version = found->second.version;
  version.set_state(job.state());
  version.set_seconds(job.render_seconds());
  if (job.has_estimate()) *version.mutable_estimate() = job.estimate();
  uint64_t rendered = 0, reused = 0;
  for (const PassProgress& p : job.pass()) {
    if (p.pass().starts_with("plate ")) continue;
    rendered += p.rendered();
    reused += p.reused();
  }
  version.set_rendered(rendered);
  version.set_reused(reused);
  batch->values.emplace_back(state::VersionName(job.stack_name(), job.version()),
                             state::VersionValue(found->second.bytes, version));
}

void Versions::Forget(const std::string& stack, IndexBatch* batch) {
  const auto found = stacks_.find(stack);
  if (found == stacks_.end()) return;
  while (!found->second.empty()) Drop(&found->second, found->second.begin(), batch);
  stacks_.erase(found);
}

absl::Status Versions::NoVersions(const std::string& stack) const {
  return absl::NotFoundError(
      absl::StrCat("no version of a stack \"", stack, "\" is remembered; `selvage jobs` lists what was submitted"));
}

absl::StatusOr<ListVersionsReply> Versions::List(const ListVersionsRequest& request) const {
  const auto found = stacks_.find(request.stack_name());
  if (found == stacks_.end()) return NoVersions(request.stack_name());
  const size_t limit = request.limit() == 0 ? kDefaultListed : request.limit();
  ListVersionsReply reply;
  for (auto v = found->second.rbegin(); v != found->second.rend(); ++v) {
    if (static_cast<size_t>(reply.version_size()) >= limit) break;
    *reply.add_version() = v->second.version;
  }
  return reply;
}

void Versions::Get(const GetVersionRequest& request, Then<GetVersionReply> then) const {
  const auto stack = stacks_.find(request.stack_name());
  if (stack == stacks_.end() || stack->second.empty()) return then(NoVersions(request.stack_name()));
  const Numbered& of = stack->second;
  const auto found = request.number() == 0 ? std::prev(of.end()) : of.find(request.number());
  if (found == of.end()) {
    return then(absl::NotFoundError(absl::StrCat("stack \"", request.stack_name(), "\" has no version ",
                                                 request.number(), "; versions ", of.begin()->first, " to ",
                                                 of.rbegin()->first, " are remembered")));
  }
  GetVersionReply reply;
  *reply.mutable_version() = found->second.version;
  tools_->pool->Post([tools = tools_, text = request.text(), then = std::move(then), reply]() mutable {
    const StackVersion& v = reply.version();
    const auto value = tools->cache.index->FindValue(text ? state::VersionTextName(v.stack_name(), v.number())
                                                          : state::VersionStackName(v.stack_name(), v.number()));
    if (!value.ok()) return then(value.status());
    if (text) {
      reply.set_text(value->value_or(""));
    } else if (!*value || !reply.mutable_stack()->ParseFromString(**value)) {
      return then(absl::NotFoundError(
          absl::StrCat("the stack of version ", v.number(), " of \"", v.stack_name(), "\" cannot be read any more")));
    }
    then(std::move(reply));
  });
}

}  // namespace selvage
