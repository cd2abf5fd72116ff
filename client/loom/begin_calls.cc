#include "client/loom/begin_calls.h"

#include <filesystem>
#include <memory>
#include <utility>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "client/loom/requests.h"
#include "client/start/new_stack.h"
#include "client/start/path_list.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

absl::StatusOr<NewStack> ToNewStack(const JsonMembers& members) {
  NewStack wish;
  ASSIGN_OR_RETURN(wish.plate, NeededText(members, "plate"));
  ASSIGN_OR_RETURN(wish.output, NeededText(members, "stack"));
  ASSIGN_OR_RETURN(wish.background, TextMember(members, "background"));
  ASSIGN_OR_RETURN(wish.frames, TextMember(members, "frames"));
  ASSIGN_OR_RETURN(wish.encoding, TextMember(members, "encoding"));
  ASSIGN_OR_RETURN(wish.screen_box, TextMember(members, "screen_box"));
  // By this ending the page finds it again.
  if (!absl::EndsWith(wish.output, ".stack")) absl::StrAppend(&wish.output, ".stack");
  return wish;
}

// What is told to someone at a command line, as the fields of the page call it.
absl::Status InWordsOfThePage(const absl::Status& status) {
  return absl::Status(status.code(), absl::StrReplaceAll(status.message(), {{"--screen-box", "bare screen"},
                                                                            {"--plate", "plate"},
                                                                            {"--background", "background"},
                                                                            {"--frames", "frames"},
                                                                            {"--encoding", "encoding"}}));
}

}  // namespace

void BeginCalls::Files(const Exchange& exchange) const {
  const std::string sort = exchange->request().Parameter("sort");
  if (sort != "pictures" && sort != "stacks") {
    return exchange->Answer(ErrorAnswer(400, "\"sort\" is pictures or stacks"));
  }
  // A folder on another machine may take its time: not on this thread.
  const bool runs =
      daemon_->calls().Run([daemon = daemon_, exchange, sort, begun = exchange->request().Parameter("path")] {
        const PathList list = PathsFrom(begun, sort == "stacks" ? PathSort::kStacks : PathSort::kPictures);
        JsonWriter out;
        out.Object().Key("paths").Array();
        for (const std::string& path : list.paths) out.Text(path);
        out.EndArray().Whole("more", static_cast<int64_t>(list.more)).EndObject();
        daemon->Post([exchange, text = out.Take()] { exchange->Answer(JsonAnswer(text)); });
      });
  if (!runs) Daemon::Busy(exchange);
}

void BeginCalls::Open(const Exchange& exchange) {
  const auto members = ReadMembers(exchange);
  if (!members || !MayBegin(exchange)) return;
  const auto path = NeededText(*members, "path");
  if (!path.ok()) return exchange->Answer(ErrorAnswer(400, std::string(path.status().message())));
  OpenPath(exchange, *path, nullptr);
}

void BeginCalls::New(const Exchange& exchange) {
  const auto members = ReadMembers(exchange);
  if (!members || !MayBegin(exchange)) return;
  const auto wish = ToNewStack(*members);
  if (!wish.ok()) return exchange->Answer(ErrorAnswer(400, std::string(wish.status().message())));
  if (making_) return exchange->Answer(ErrorAnswer(429, "a stack is being made already: wait for it"));
  making_ = daemon_->calls().Run([this, exchange, asked = *wish] {
    auto made = std::make_shared<absl::StatusOr<StartingStack>>(WriteNewStack(&daemon_->connection(), asked));
    daemon_->Post([this, exchange, made, output = asked.output] {
      making_ = false;
      daemon_->NoteCall(made->status());
      if (made->ok()) return OpenPath(exchange, output, &(*made)->findings);
      exchange->Answer(ErrorAnswer(InWordsOfThePage(FromDaemon(made->status()))));
    });
  });
  if (!making_) Daemon::Busy(exchange);
}

bool BeginCalls::MayBegin(const Exchange& exchange) const {
  if (document_->state() == Document::kNone) return true;
  exchange->Answer(ErrorAnswer(
      423, absl::StrCat("this loom is open on ", document_->path(), "; `selvage loom` without a stack opens another")));
  return false;
}

void BeginCalls::OpenPath(const Exchange& exchange, const std::string& path, const PlateFindings* findings) {
  // Another page may have been quicker.
  if (!MayBegin(exchange)) return;
  std::error_code error;
  if (!std::filesystem::is_regular_file(path, error)) {
    return exchange->Answer(ErrorAnswer(422, absl::StrCat(path, ": there is no such stack file")));
  }
  *document_ = Document(path);
  opened_();
  JsonWriter out;
  out.Object().Text("path", document_->path()).Key("warnings").Array();
  if (findings != nullptr) {
    for (const std::string& warning : findings->warning()) out.Text(warning);
  }
  exchange->Answer(JsonAnswer(out.EndArray().EndObject().Take()));
}

}  // namespace selvage::client
