#include "client/loom/loom.h"

#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/steady_timer.hpp>
#include <csignal>
#include <cstdio>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "client/connection.h"
#include "client/language/manual.h"
#include "client/loom/answers.h"
#include "client/loom/begin_calls.h"
#include "client/loom/daemon.h"
#include "client/loom/daemon_calls.h"
#include "client/loom/document.h"
#include "client/loom/events.h"
#include "client/loom/http_server.h"
#include "client/loom/job_watch.h"
#include "client/loom/language_json.h"
#include "client/loom/long_tasks.h"
#include "client/loom/looks.h"
#include "client/loom/open_browser.h"
#include "client/loom/page_files.h"
#include "client/loom/stack_calls.h"
#include "client/loom/task_calls.h"
#include "client/loom/version_calls.h"
#include "proto/digest.h"
#include "proto/status.h"

namespace selvage::client {

namespace asio = boost::asio;
using std::chrono::milliseconds;

namespace {

// How often the file is looked at, and the daemon asked for its jobs while a page is open.
constexpr milliseconds kFilePoll{25}, kDaemonPoll{1000};

// The run: one thread for all state, that of the io_context, and which address leads where.
class Loom {
 public:
  Loom(const Globals& globals, const LoomOptions& options, Document document)
      : options_(options),
        connection_(globals),
        document_(std::move(document)),
        server_(
            &context_, {}, [this](Exchange e) { Handle(e); },
            [this](std::shared_ptr<EventStream> s, bool begun) { Stream(std::move(s), begun); }),
        file_timer_(context_),
        daemon_timer_(context_),
        signals_(context_),
        stack_(&document_, &daemon_, &events_),
        jobs_(&document_, &daemon_, &events_),
        versions_(&document_, &daemon_),
        looks_(&document_, &daemon_, &versions_),
        daemon_calls_(&document_, &daemon_, &jobs_),
        task_calls_(&document_, &daemon_, &tasks_),
        begin_(&document_, &daemon_, [this] { stack_.Opened(); }),
        daemon_(&context_, &connection_, &events_),
        tasks_(&connection_, [this](const std::string& kind, const std::string& id, const std::string& event) {
          daemon_.Post([this, kind, id, event] { events_.Tell(absl::StrCat(kind, " ", id), kind, event); });
        }) {}

  absl::Status Run() {
    RETURN_IF_ERROR(server_.Listen(options_.port));
    signals_.add(SIGINT);
    signals_.add(SIGTERM);
    signals_.async_wait([this](const auto& error, int) {
      if (!error) End();
    });
    std::printf("%s\n", server_.Address().c_str());
    std::fflush(stdout);
    std::optional<AddressFile> file;
    if (options_.open) {
      file.emplace(server_.Address(), server_.port());
      OpenBrowser(file->url().empty() ? server_.Address() : file->url());
    }
    daemon_.WhenBack([this] {
      versions_.Forget();
      stack_.Check();
    });
    stack_.Check();
    PollFile();
    PollDaemon();
    context_.run();
    return absl::OkStatus();
  }

 private:
  void End() {
    events_.Tell("closing", "closing", "{}");
    // A moment for that to be sent.
    file_timer_.cancel();
    daemon_timer_.expires_after(milliseconds(100));
    daemon_timer_.async_wait([this](const auto&) {
      daemon_.ending()->Stop();
      tasks_.Stop();
      looks_.Stop();
      server_.Close();
      context_.stop();
    });
  }

  void PollFile() {
    stack_.Poll();
    file_timer_.expires_after(kFilePoll);
    file_timer_.async_wait([this](const auto& error) {
      if (!error) PollFile();
    });
  }

  void PollDaemon() {
    if (events_.anybody()) jobs_.AskNow();
    daemon_timer_.expires_after(kDaemonPoll);
    daemon_timer_.async_wait([this](const auto& error) {
      if (!error) PollDaemon();
    });
  }

  void Stream(std::shared_ptr<EventStream> stream, bool begun) {
    if (!begun) return events_.Remove(stream);
    events_.Add(stream);
    stack_.SendState(stream.get());
    daemon_.SendState(stream.get());
    jobs_.SendState(stream.get());
    if (const std::string job = stream->request().Parameter("job"); !job.empty()) jobs_.Follow(job);
    jobs_.AskNow();
  }

  // ---- addresses ----

  using Routes = std::map<std::string, std::function<void(const Exchange&)>>;

  // Below /api/.
  Routes Gets() {
    return {
        {"session", [this](auto& e) { Session(e); }},
        {"language", [this](auto& e) { Language(e); }},
        {"manual", [this](auto& e) { Manual(e); }},
        {"stack", [this](auto& e) { stack_.Get(e); }},
        {"text", [this](auto& e) { e->Answer(JsonAnswer(document_.TextJson())); }},
        {"curves", [this](auto& e) { stack_.Curves(e); }},
        {"look", [this](auto& e) { looks_.Look(e); }},
        {"values", [this](auto& e) { looks_.Look(e); }},
        {"format", [this](auto& e) { looks_.Format(e); }},
        {"versions", [this](auto& e) { versions_.List(e); }},
        {"version", [this](auto& e) { versions_.Text(e); }},
        {"changes", [this](auto& e) { versions_.Changes(e); }},
        {"cached", [this](auto& e) { daemon_calls_.Cached(e); }},
        {"plan", [this](auto& e) { daemon_calls_.Plan(e); }},
        {"jobs", [this](auto& e) { daemon_calls_.Jobs(e); }},
        {"job", [this](auto& e) { daemon_calls_.Job(e); }},
        {"workers", [this](auto& e) { daemon_calls_.Workers(e); }},
        {"cache", [this](auto& e) { daemon_calls_.Cache(e); }},
        {"report", [this](auto& e) { task_calls_.Get(e); }},
        {"fetch", [this](auto& e) { task_calls_.Get(e); }},
        {"deliverables", [this](auto& e) { task_calls_.Deliverables(e); }},
        {"files", [this](auto& e) { begin_.Files(e); }},
    };
  }

  Routes Posts() {
    return {
        {"edit", [this](auto& e) { stack_.Edit(e); }},
        {"undo", [this](auto& e) { stack_.Undo(e); }},
        {"redo", [this](auto& e) { stack_.Redo(e); }},
        {"submit", [this](auto& e) { daemon_calls_.Submit(e); }},
        {"cancel", [this](auto& e) { daemon_calls_.Cancel(e); }},
        {"invalidate", [this](auto& e) { daemon_calls_.Invalidate(e); }},
        {"report", [this](auto& e) { task_calls_.Report(e); }},
        {"fetch", [this](auto& e) { task_calls_.Fetch(e); }},
        {"open", [this](auto& e) { begin_.Open(e); }},
        {"new", [this](auto& e) { begin_.New(e); }},
    };
  }

  void Handle(const Exchange& exchange) {
    const HttpRequest& request = exchange->request();
    const bool get = request.method == "GET";
    if (!absl::StartsWith(request.path, "/api/")) {
      if (!get) return exchange->Answer(ErrorAnswer(405, "a page is only read"));
      return Page(exchange);
    }
    const std::string name = request.path.substr(5);
    if (get && absl::StartsWith(name, "manual/")) return Manual(exchange);
    const Routes& routes = get ? gets_ : posts_;
    if (const auto found = routes.find(name); found != routes.end()) return found->second(exchange);
    const bool other = (get ? posts_ : gets_).count(name) > 0;
    exchange->Answer(other ? ErrorAnswer(405, absl::StrCat(request.path, get ? " takes POST" : " takes GET"))
                           : ErrorAnswer(404, absl::StrCat("there is no ", request.path)));
  }

  void Page(const Exchange& exchange) {
    const std::string path = exchange->request().path == "/" ? "/index.html" : exchange->request().path;
    const absl::StatusOr<std::string> file =
        options_.page_from.empty() ? EmbeddedPageFile(path) : PageFileFrom(options_.page_from, path);
    if (!file.ok()) return exchange->Answer(ErrorAnswer(404, std::string(file.status().message())));
    HttpAnswer answer;
    answer.type = PageFileType(path);
    answer.body = *file;
    answer.etag = Sha256(answer.body).Hex();
    exchange->Answer(std::move(answer));
  }

  void Session(const Exchange& exchange) {
    const bool job = !options_.job.empty();
    JsonWriter out;
    out.Object().Text("mode", job ? "job" : document_.state() == Document::kNone ? "farm" : "stack");
    out.Text("version", SELVAGE_VERSION).Text("path", job ? "" : document_.path()).Text("job", options_.job);
    out.Bool("read_only", document_.read_only()).Text("server", connection_.route().address);
    out.Text("owner", connection_.owner()).EndObject();
    exchange->Answer(JsonAnswer(out.Take()));
  }

  void Language(const Exchange& exchange) {
    static const std::string* const kText = new std::string(LanguageJson());
    static const std::string* const kTag = new std::string(Sha256(*kText).Hex());
    HttpAnswer answer = JsonAnswer(*kText);
    answer.etag = *kTag;
    exchange->Answer(std::move(answer));
  }

  void Manual(const Exchange& exchange) {
    constexpr absl::string_view kPrefix = "/api/manual";
    std::string word = exchange->request().path.substr(kPrefix.size());
    if (!word.empty()) word.erase(0, 1);
    const absl::StatusOr<std::string> page = word.empty() ? ManualIndex() : ManualPage(word);
    if (!page.ok()) return exchange->Answer(ErrorAnswer(404, std::string(page.status().message())));
    const absl::StatusOr<std::string> json = ManualJson(word);
    JsonWriter out;
    out.Object().Text("text", *page);
    std::string text = out.EndObject().Take();
    if (json.ok()) {
      text.pop_back();
      absl::StrAppend(&text, ",", json->substr(json->find('{') + 1));
    }
    exchange->Answer(JsonAnswer(std::move(text)));
  }

  const LoomOptions options_;
  Connection connection_;
  Document document_;
  asio::io_context context_{1};
  HttpServer server_;
  asio::steady_timer file_timer_, daemon_timer_;
  asio::signal_set signals_;
  const Routes gets_ = Gets(), posts_ = Posts();

  Events events_;
  StackCalls stack_;
  JobWatch jobs_;
  VersionCalls versions_;
  Looks looks_;
  DaemonCalls daemon_calls_;
  TaskCalls task_calls_;
  BeginCalls begin_;
  // Last, so that their threads end before what they use.
  Daemon daemon_;
  LongTasks tasks_;
};

}  // namespace

absl::Status RunLoom(const Globals& globals, const LoomOptions& options) {
  Document document;
  LoomOptions open = options;
  if (!options.job.empty()) {
    Connection connection(globals);
    ASSIGN_OR_RETURN(open.job, ResolveJob(connection, options.job));
    JobRef ref;
    ref.set_job_id(open.job);
    GetJobReply reply;
    auto context = connection.Call();
    RETURN_IF_ERROR(connection.Explain(connection.jobs().GetJob(context.get(), ref, &reply)));
    document = Document(reply.stack().name() + ".stack", reply.stack());
  } else if (!options.stack.empty()) {
    std::error_code error;
    if (!std::filesystem::is_regular_file(options.stack, error)) {
      return absl::InvalidArgumentError(
          absl::StrCat(options.stack, ": there is no such stack file (`selvage new` makes one)"));
    }
    document = Document(options.stack);
  }
  return Loom(globals, open, std::move(document)).Run();
}

}  // namespace selvage::client
