#include "client/loom/version_calls.h"

#include <algorithm>
#include <optional>
#include <vector>

#include "absl/strings/str_cat.h"
#include "client/language/stack_changes.h"
#include "client/loom/answers.h"
#include "client/loom/look_request.h"
#include "client/loom/requests.h"
#include "google/protobuf/text_format.h"
#include "proto/proxy.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// The daemon keeps no more of a stack.
constexpr int64_t kMostVersions = 500;
constexpr size_t kMostHeldBytes = 64u << 20;
// Of two stacks that have little in common, the rest is counted.
constexpr size_t kMostChanges = 500;

std::string VersionsJson(const std::string& stack, const ListVersionsReply& reply) {
  JsonWriter out;
  out.Object().Text("stack", stack).Key("versions").Array();
  for (const StackVersion& v : reply.version()) {
    out.Object().Whole("number", v.number()).Text("job", v.job_id()).Text("owner", v.owner()).Text("note", v.note());
    out.Whole("submitted_unix_ms", v.submitted_unix_ms()).Text("state", JobWord(v.state()));
    out.Number("seconds", v.seconds()).Whole("rendered", static_cast<int64_t>(v.rendered()));
    out.Whole("reused", static_cast<int64_t>(v.reused())).Bool("has_text", v.has_text());
    out.Text("size", v.proxy() > 1 ? SizeInWords(v.proxy()) : "").Key("set").Array();
    for (const std::string& set : v.set()) out.Text(set);
    out.EndArray().EndObject();
  }
  return out.EndArray().EndObject().Take();
}

std::string ChangesJson(const std::vector<StackChange>& changes) {
  JsonWriter out;
  out.Object().Key("changes").Array();
  const size_t told = std::min(changes.size(), kMostChanges);
  for (size_t i = 0; i < told; ++i) {
    out.Object().Text("where", changes[i].where).Text("text", changes[i].text).EndObject();
  }
  return out.EndArray().Whole("more", static_cast<int64_t>(changes.size() - told)).EndObject().Take();
}

}  // namespace

absl::StatusOr<std::optional<uint32_t>> VersionParameter(const HttpRequest& request, const std::string& name) {
  ASSIGN_OR_RETURN(const auto number, WholeParameter(request, name));
  if (!number) return std::optional<uint32_t>();
  if (*number < 1 || *number > UINT32_MAX) {
    return absl::InvalidArgumentError(
        absl::StrCat("\"", name, "\" is the number of a version, from 1 on, not ", *number));
  }
  return std::optional<uint32_t>(static_cast<uint32_t>(*number));
}

std::string TextOfVersion(const StackVersion& version, const std::string& text, const Stack& stack) {
  std::string out;
  if (version.has_text()) {
    for (const std::string& set : version.set()) absl::StrAppend(&out, "# submitted with --set ", set, "\n");
    return out + text;
  }
  google::protobuf::TextFormat::PrintToString(stack, &out);
  return absl::StrCat("# Version ", version.number(), ", written from what was rendered: its text was not handed in.\n",
                      out);
}

const Stack* VersionCalls::LastGood(const Exchange& exchange) const {
  return document_->good() != nullptr ? &document_->good()->stack() : NeedStack(*document_, exchange);
}

void VersionCalls::List(const Exchange& exchange) {
  const Stack* stack = LastGood(exchange);
  if (stack == nullptr) return;
  const auto limit = WholeParameter(exchange->request(), "limit");
  if (!limit.ok()) return exchange->Answer(ErrorAnswer(400, std::string(limit.status().message())));
  ListVersionsRequest request;
  request.set_stack_name(stack->name());
  request.set_limit(static_cast<uint32_t>(std::clamp<int64_t>(limit->value_or(kMostVersions), 1, kMostVersions)));
  daemon_->Call<ListVersionsRequest, ListVersionsReply>(
      exchange, &JobService::Stub::ListVersions, request,
      [exchange, name = stack->name()](const absl::Status& status, const ListVersionsReply& reply) {
        // Not submitted yet: that is no fault.
        if (!status.ok() && !absl::IsNotFound(status)) return exchange->Answer(ErrorAnswer(status));
        exchange->Answer(JsonAnswer(VersionsJson(name, reply)));
      });
}

void VersionCalls::Changes(const Exchange& exchange) {
  const auto from = VersionParameter(exchange->request(), "from"), to = VersionParameter(exchange->request(), "to");
  if (!from.ok() || !to.ok()) {
    return exchange->Answer(ErrorAnswer(400, std::string((from.ok() ? to : from).status().message())));
  }
  if (!*from) return exchange->Answer(ErrorAnswer(400, "\"from\" is missing: the number of a version"));
  const std::string digest = exchange->request().Parameter("digest");
  WithStack(exchange, **from, [this, exchange, to = *to, digest](std::shared_ptr<const Stack> before) {
    if (to) {
      return WithStack(exchange, *to, [this, exchange, before](std::shared_ptr<const Stack> now) {
        Compare(exchange, before, std::move(now));
      });
    }
    if (!digest.empty() && digest != document_->digest()) {
      return exchange->Answer(ErrorAnswer(409, "the stack is another one by now"));
    }
    const Stack* now = NeedStack(*document_, exchange);
    if (now != nullptr) Compare(exchange, before, std::make_shared<Stack>(*now));
  });
}

void VersionCalls::Compare(const Exchange& exchange, std::shared_ptr<const Stack> before,
                           std::shared_ptr<const Stack> now) {
  // Of thousands of passes it takes a while: not on this thread.
  const bool runs = daemon_->calls().Run([this, exchange, before, now]() mutable {
    std::string json = ChangesJson(ChangesOf(*before, *now));
    daemon_->Post([exchange = std::move(exchange), json = std::move(json)] { exchange->Answer(JsonAnswer(json)); });
  });
  if (!runs) Daemon::Busy(exchange);
}

void VersionCalls::Text(const Exchange& exchange) {
  const auto number = VersionParameter(exchange->request(), "number");
  if (!number.ok()) return exchange->Answer(ErrorAnswer(400, std::string(number.status().message())));
  if (!*number) return exchange->Answer(ErrorAnswer(400, "\"number\" is missing: that of a version"));
  const Stack* stack = LastGood(exchange);
  if (stack == nullptr) return;
  GetVersionRequest request;
  request.set_stack_name(stack->name());
  request.set_number(**number);
  request.set_text(true);
  const auto answer = [exchange](const StackVersion& version, const std::string& text, const Stack& of) {
    exchange->Answer(JsonAnswer(JsonWriter()
                                    .Object()
                                    .Whole("number", version.number())
                                    .Bool("handed_in", version.has_text())
                                    .Text("text", TextOfVersion(version, text, of))
                                    .EndObject()
                                    .Take()));
  };
  daemon_->Call<GetVersionRequest, GetVersionReply>(
      exchange, &JobService::Stub::GetVersion, request,
      [this, exchange, answer](const absl::Status& status, const GetVersionReply& reply) {
        if (!status.ok()) return exchange->Answer(ErrorAnswer(status));
        if (reply.version().has_text()) return answer(reply.version(), reply.text(), Stack());
        WithStack(exchange, reply.version().number(),
                  [answer, version = reply.version()](std::shared_ptr<const Stack> of) { answer(version, "", *of); });
      });
}

void VersionCalls::WithStack(const Exchange& exchange, uint32_t number, Then then) {
  const Stack* good = LastGood(exchange);
  if (good == nullptr) return;
  const std::string name = good->name();
  if (auto held = Find(name, number)) return then(std::move(held));
  GetVersionRequest request;
  request.set_stack_name(name);
  request.set_number(number);
  daemon_->Call<GetVersionRequest, GetVersionReply>(
      exchange, &JobService::Stub::GetVersion, request,
      [this, exchange, name, number, then](const absl::Status& status, const GetVersionReply& reply) {
        if (!status.ok()) return exchange->Answer(ErrorAnswer(status));
        auto stack = std::make_shared<const Stack>(reply.stack());
        Keep({name, number, stack, stack->SpaceUsedLong()});
        then(std::move(stack));
      });
}

std::shared_ptr<const Stack> VersionCalls::Find(const std::string& name, uint32_t number) {
  const auto found =
      std::find_if(held_.begin(), held_.end(), [&](const Held& h) { return h.number == number && h.name == name; });
  if (found == held_.end()) return nullptr;
  std::rotate(held_.begin(), found, found + 1);
  return held_.front().stack;
}

void VersionCalls::Keep(Held held) {
  if (Find(held.name, held.number) != nullptr) held_.pop_front();
  held_.push_front(std::move(held));
  size_t bytes = 0, kept = 0;
  for (const Held& one : held_) {
    bytes += one.bytes;
    if (kept > 0 && bytes > kMostHeldBytes) break;
    ++kept;
  }
  held_.resize(kept);
}

}  // namespace selvage::client
