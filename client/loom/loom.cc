#include "client/loom/loom.h"

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/steady_timer.hpp>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <map>
#include <set>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/language/manual.h"
#include "client/loom/answers.h"
#include "client/loom/document.h"
#include "client/loom/http_server.h"
#include "client/loom/language_json.h"
#include "client/loom/long_tasks.h"
#include "client/loom/look_request.h"
#include "client/loom/page_files.h"
#include "client/loom/work_pool.h"
#include "client/stopper.h"
#include "client/owner.h"
#include "client/random_id.h"
#include "proto/digest.h"
#include "proto/status.h"

extern char** environ;

namespace selvage::client {

namespace asio = boost::asio;
using std::chrono::milliseconds;

namespace {

// How often the file is looked at, and the daemon asked for its jobs while a page is open.
constexpr milliseconds kFilePoll{25}, kDaemonPoll{1000};
constexpr int kLookThreads = 12, kCallThreads = 6, kWatchThreads = 4;
constexpr size_t kMostWaiting = 400, kMostLooksWaiting = 48;
constexpr size_t kMostLookBytes = 512u << 20;

using Exchange = std::shared_ptr<HttpExchange>;

HttpAnswer JsonAnswer(std::string body) {
  HttpAnswer answer;
  answer.body = std::move(body);
  return answer;
}

// What the daemon answers, in the codes of our own answers: what it refuses, and a rendering
// that failed, is no matter of the file or of newer looks; a call that it ended is one that it
// did not answer.
absl::Status FromDaemon(const absl::Status& status) {
  switch (status.code()) {
    case absl::StatusCode::kFailedPrecondition:
    case absl::StatusCode::kAborted:
    case absl::StatusCode::kAlreadyExists:
      return absl::InvalidArgumentError(status.message());
    case absl::StatusCode::kCancelled:
    case absl::StatusCode::kUnknown:
      return absl::UnavailableError(absl::StrCat("the daemon ended the call: ", status.message()));
    default:
      return status;
  }
}

// Of a header: what is not plain is written as % and two digits.
std::string PercentEncoded(const std::string& text) {
  static const char kDigits[] = "0123456789ABCDEF";
  std::string out;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (std::isalnum(byte) || c == '-' || c == '_' || c == '.' || c == '~') {
      out += c;
    } else {
      out += '%';
      out += kDigits[byte >> 4];
      out += kDigits[byte & 15];
    }
  }
  return out;
}

// A file that sends a browser on to the address: what a program is started with can be read by
// every user of the machine, a file only by its owner.
class AddressFile {
 public:
  AddressFile(const std::string& address, int port) {
    const char* folder = std::getenv("XDG_RUNTIME_DIR");
    if (folder == nullptr || *folder == 0) return;
    const std::string path = absl::StrCat(folder, "/selvage-loom-", port, ".html");
    ::unlink(path.c_str());
    const int fd = ::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    if (fd < 0) return;
    const std::string page = absl::StrCat("<!doctype html><meta http-equiv=\"refresh\" content=\"0; url=", address,
                                          "\"><title>The loom</title><a href=\"", address, "\">The loom</a>\n");
    const bool whole = ::write(fd, page.data(), page.size()) == static_cast<ssize_t>(page.size());
    ::close(fd);
    path_ = path;
    if (whole) url_ = absl::StrCat("file://", path);
  }
  ~AddressFile() {
    if (!path_.empty()) ::unlink(path_.c_str());
  }
  AddressFile(const AddressFile&) = delete;
  AddressFile& operator=(const AddressFile&) = delete;

  // Empty: there is no place for it.
  const std::string& url() const { return url_; }

 private:
  std::string path_, url_;
};

void OpenBrowser(const std::string& url) {
  std::string program = "xdg-open", argument = url;
  char* const arguments[] = {program.data(), argument.data(), nullptr};
  pid_t pid;
  if (::posix_spawnp(&pid, "xdg-open", nullptr, nullptr, arguments, environ) == 0) {
    std::thread([pid] { ::waitpid(pid, nullptr, 0); }).detach();
  }
}

class Loom {
 public:
  Loom(const Globals& globals, const LoomOptions& options, Document document)
      : options_(options),
        connection_(globals),
        document_(std::move(document)),
        server_(
            &context_, {}, [this](Exchange e) { Handle(std::move(e)); },
            [this](std::shared_ptr<EventStream> s, bool begun) { Stream(std::move(s), begun); }),
        file_timer_(context_),
        daemon_timer_(context_),
        signals_(context_),
        looks_(kLookThreads, kMostLooksWaiting),
        calls_(kCallThreads, kMostWaiting),
        watches_(kWatchThreads, 64),
        tasks_(&connection_, [this](const std::string& kind, const std::string& id, const std::string& event) {
          Post([this, kind, id, event] { Tell(absl::StrCat(kind, " ", id), kind, event); });
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
    Check();
    PollFile();
    PollDaemon();
    context_.run();
    return absl::OkStatus();
  }

 private:
  // ---- the ends of it ----

  void End() {
    for (const auto& stream : streams_) stream->Send("closing", "closing", "{}");
    // A moment for that to be sent.
    file_timer_.cancel();
    daemon_timer_.expires_after(milliseconds(100));
    daemon_timer_.async_wait([this](const auto&) {
      ending_.Stop();
      tasks_.Stop();
      for (auto& [viewer, look] : viewers_) look->stopper.Stop();
      for (const auto& look : running_) look->stopper.Stop();
      server_.Close();
      context_.stop();
    });
  }

  void Post(std::function<void()> then) { asio::post(context_, std::move(then)); }

  // ---- events ----

  void Stream(std::shared_ptr<EventStream> stream, bool begun) {
    if (!begun) {
      streams_.erase(stream);
      return;
    }
    streams_.insert(stream);
    stream->Send("stack", "stack", StackEvent("start"));
    stream->Send("faults", "faults", FaultsEvent());
    if (!daemon_state_.empty()) stream->Send("daemon", "daemon", DaemonEvent());
    if (!jobs_.empty()) stream->Send("jobs", "jobs", jobs_);
    for (const auto& [id, job] : job_events_) stream->Send("job " + id, "job", job);
    if (const std::string job = stream->request().Parameter("job"); !job.empty()) WatchJob(job);
    AskDaemon();
  }

  void Tell(const std::string& key, const std::string& event, const std::string& data) {
    for (const auto& stream : streams_) stream->Send(key, event, data);
  }

  std::string StackEvent(const char* by) {
    static const char* const kWords[] = {"none", "good", "faulty", "unreadable"};
    return JsonWriter()
        .Object()
        .Text("digest", document_.digest())
        .Text("state", kWords[document_.state()])
        .Text("by", by)
        .EndObject()
        .Take();
  }

  std::string FaultsEvent() {
    JsonWriter out;
    out.Object().Text("digest", document_.digest()).Bool("checked", document_.checked()).Key("faults");
    document_.WriteFaults(document_.faults(), &out);
    return out.EndObject().Take();
  }

  std::string DaemonEvent() {
    return JsonWriter()
        .Object()
        .Text("state", daemon_state_)
        .Text("server", connection_.route().address)
        .Text("message", daemon_message_)
        .EndObject()
        .Take();
  }

  // What any call has shown of the daemon.
  void NoteDaemon(const absl::Status& status) {
    if (absl::IsCancelled(status)) return;
    const bool away = !status.ok();
    const std::string state = away ? "away" : "here";
    const std::string message = away ? std::string(status.message()) : "";
    if (state == daemon_state_ && message == daemon_message_) return;
    const bool back = state == "here" && daemon_state_ == "away";
    daemon_state_ = state;
    daemon_message_ = message;
    Tell("daemon", "daemon", DaemonEvent());
    if (back) Check();
  }

  // ---- the document ----

  void PollFile() {
    if (document_.Poll()) {
      Tell("stack", "stack", StackEvent("disk"));
      Tell("faults", "faults", FaultsEvent());
      Check();
    }
    file_timer_.expires_after(kFilePoll);
    file_timer_.async_wait([this](const auto& error) {
      if (!error) PollFile();
    });
  }

  // Asks the daemon what it thinks of the text; one question at a time.
  void Check() {
    if (document_.state() != Document::kGood) return;
    if (checking_) {
      check_again_ = true;
      return;
    }
    checking_ = true;
    check_again_ = false;
    auto request = std::make_shared<CheckRequest>();
    *request->mutable_stack() = document_.good()->stack();
    const bool runs = calls_.Run([this, request, digest = document_.digest()] {
      auto reply = std::make_shared<CheckReply>();
      StoppableCall call(&ending_, connection_.Call(60));
      const absl::Status status = connection_.Explain(connection_.jobs().Check(call.get(), *request, reply.get()));
      Post([this, reply, status, digest] {
        checking_ = false;
        NoteDaemon(status);
        if (status.ok()) {
          document_.SetDaemonFaults(digest, reply->error());
          if (digest == document_.digest()) Tell("faults", "faults", FaultsEvent());
        }
        if (check_again_) Check();
      });
    });
    if (!runs) checking_ = false;
  }

  void AnswerStack(const Exchange& exchange) {
    HttpAnswer answer = JsonAnswer(document_.Json());
    answer.etag = Sha256(answer.body).Hex();
    exchange->Answer(std::move(answer));
  }

  void Edit(const Exchange& exchange, const std::function<absl::Status(const JsonMembers&)>& edit, const char* by) {
    const absl::StatusOr<JsonMembers> request = ReadJson(exchange->request().body);
    if (!request.ok()) return exchange->Answer(ErrorAnswer(400, std::string(request.status().message())));
    const std::string before = document_.digest();
    const absl::Status done = edit(*request);
    if (document_.digest() != before) {
      Tell("stack", "stack", StackEvent(done.ok() ? by : "disk"));
      Tell("faults", "faults", FaultsEvent());
      Check();
    }
    if (done.ok()) return AnswerStack(exchange);
    HttpAnswer answer = ErrorAnswer(done);
    if (answer.status == 409) {
      // The present stack comes along.
      answer.body.pop_back();
      absl::StrAppend(&answer.body, ",\"stack\":", document_.Json(), "}");
    }
    exchange->Answer(std::move(answer));
  }

  // ---- the daemon ----

  // A call whose reply becomes an answer.
  template <class Request, class Reply>
  void Ask(const Exchange& exchange,
           grpc::Status (JobService::Stub::*method)(grpc::ClientContext*, const Request&, Reply*), Request request,
           std::function<HttpAnswer(const Reply&)> answer) {
    auto stopper = std::make_shared<Stopper>();
    exchange->WhenGone([stopper] { stopper->Stop(); });
    auto shared = std::make_shared<Request>(std::move(request));
    const bool runs = calls_.Run([this, exchange, method, shared, answer, stopper]() mutable {
      auto reply = std::make_shared<Reply>();
      absl::Status status;
      {
        StoppableCall call(stopper.get(), connection_.Call());
        const StoppableCall end(&ending_, call);
        status = connection_.Explain((connection_.jobs().*method)(call.get(), *shared, reply.get()));
      }
      Post([this, exchange = std::move(exchange), reply, status, answer] {
        if (!absl::IsCancelled(status)) NoteDaemonCall(status);
        exchange->Answer(status.ok() ? answer(*reply) : ErrorAnswer(FromDaemon(status)));
      });
    });
    if (!runs) Busy(exchange);
  }

  // A refusal of one call says nothing of the daemon as such.
  void NoteDaemonCall(const absl::Status& status) {
    if (status.ok() || absl::IsUnavailable(status)) NoteDaemon(status);
  }

  static void Busy(const Exchange& exchange) {
    exchange->Answer(ErrorAnswer(429, "too much is asked of the daemon at once: wait a moment"));
  }

  void PollDaemon() {
    if (!streams_.empty()) AskDaemon();
    daemon_timer_.expires_after(kDaemonPoll);
    daemon_timer_.async_wait([this](const auto& error) {
      if (!error) PollDaemon();
    });
  }

  void AskDaemon() {
    if (asking_) return;
    asking_ = calls_.Run([this] {
      auto reply = std::make_shared<ListJobsReply>();
      StoppableCall call(&ending_, connection_.Call(20));
      const absl::Status status =
          connection_.Explain(connection_.jobs().ListJobs(call.get(), ListJobsRequest(), reply.get()));
      Post([this, reply, status] {
        asking_ = false;
        NoteDaemon(status);
        if (!status.ok()) return;
        std::string jobs = JobsJson(*reply);
        if (jobs != jobs_) {
          jobs_ = std::move(jobs);
          Tell("jobs", "jobs", jobs_);
        }
        const StackFile* stack = document_.good();
        for (const JobProgress& job : reply->job()) {
          const bool runs = job.state() == JOB_RUNNING || job.state() == JOB_INSPECTING;
          if (runs && stack != nullptr && job.stack_name() == stack->stack().name()) WatchJob(job.job_id());
        }
      });
    });
  }

  // Its pass lines, until it ends.
  void WatchJob(const std::string& id) {
    constexpr size_t kMostWatched = 64;
    if (watched_.size() >= kMostWatched || !watched_.insert(id).second) return;
    const bool runs = watches_.Run([this, id] {
      WatchRequest request;
      request.set_job_id(id);
      StoppableCall call(&ending_, connection_.Stream());
      auto stream = connection_.jobs().Watch(call.get(), request);
      auto progress = std::make_shared<JobProgress>();
      while (stream->Read(progress.get())) {
        Post([this, progress] {
          JsonWriter out;
          WriteJob(*progress, true, &out);
          const std::string key = "job " + progress->job_id();
          job_events_[progress->job_id()] = out.text();
          if (job_events_.size() > kMostWatched) job_events_.erase(job_events_.begin());
          Tell(key, "job", out.text());
        });
        progress = std::make_shared<JobProgress>();
      }
      (void)stream->Finish();
      Post([this, id] { watched_.erase(id); });
    });
    if (!runs) watched_.erase(id);
  }

  // ---- looks ----

  struct LookCall {
    Stopper stopper;
    Exchange exchange;
    LookRequest request;
    std::string viewer;
  };

  void Look(const Exchange& exchange) {
    const HttpRequest& request = exchange->request();
    if (document_.good() == nullptr) {
      return exchange->Answer(ErrorAnswer(
          422, document_.state() == Document::kNone ? "this loom is open on no stack" : "the stack's text has faults"));
    }
    const std::string digest = request.Parameter("digest");
    if (!digest.empty() && digest != document_.digest()) {
      return exchange->Answer(ErrorAnswer(409, "the stack is another one by now"));
    }
    absl::StatusOr<LookRequest> made = MakeLookRequest(*document_.good(), request);
    if (!made.ok()) return exchange->Answer(ErrorAnswer(made.status()));
    auto look = std::make_shared<LookCall>();
    look->exchange = exchange;
    look->request = *std::move(made);
    look->viewer = request.Parameter("viewer");
    if (!look->viewer.empty()) {
      std::shared_ptr<LookCall>& newest = viewers_[look->viewer];
      if (newest != nullptr) {
        newest->stopper.Stop();
        newest->exchange->Answer(ErrorAnswer(409, "a newer look of this viewer has come"));
      }
      newest = look;
    }
    running_.insert(look);
    exchange->WhenGone([this, weak = std::weak_ptr<LookCall>(look)] {
      const auto gone = weak.lock();
      if (gone == nullptr) return;
      gone->stopper.Stop();
      Forget(gone);
    });
    if (!looks_.Run([this, look] { Receive(look); })) {
      Forget(look);
      Busy(exchange);
    }
  }

  void Forget(const std::shared_ptr<LookCall>& look) {
    running_.erase(look);
    const auto found = viewers_.find(look->viewer);
    if (found != viewers_.end() && found->second == look) viewers_.erase(found);
  }

  // On a thread of the pool.
  void Receive(const std::shared_ptr<LookCall>& look) {
    if (look->stopper.stopped()) return;
    auto file = std::make_shared<ReceivedFile>();
    const absl::Status status = ReceiveLook(look.get(), file.get());
    Post([this, look, file, status] {
      Forget(look);
      if (!absl::IsCancelled(status)) NoteDaemonCall(status);
      if (!status.ok()) return look->exchange->Answer(ErrorAnswer(FromDaemon(status)));
      if (!file->errors.empty()) return look->exchange->Answer(FaultsAnswer(document_, file->errors));
      HttpAnswer answer;
      answer.type = "image/png";
      answer.etag = Sha256(file->bytes).Hex();
      answer.body = std::move(file->bytes);
      if (!file->warnings.empty()) {
        JsonWriter texts;
        texts.Array();
        for (const JobWarning& w : file->warnings) texts.Text(w.text());
        answer.headers.push_back({"X-Selvage-Warnings", PercentEncoded(texts.EndArray().Take()).substr(0, 8000)});
      }
      look->exchange->Answer(std::move(answer));
    });
  }

  absl::Status ReceiveLook(LookCall* look, ReceivedFile* file) {
    StoppableCall call(&look->stopper, connection_.Stream());
    auto stream = connection_.jobs().Look(call.get(), look->request);
    std::optional<Digest> digest;
    FileChunk chunk;
    while (stream->Read(&chunk)) {
      file->errors.MergeFrom(chunk.error());
      if (chunk.warning_size() > 0) file->warnings = chunk.warning();
      if (chunk.digest().size() == 32) digest = Digest::FromBytes(chunk.digest());
      if (chunk.offset() != file->bytes.size() || file->bytes.size() + chunk.data().size() > kMostLookBytes) {
        call.get()->TryCancel();
      }
      file->bytes += chunk.data();
    }
    const grpc::Status status = stream->Finish();
    if (!file->errors.empty()) return absl::OkStatus();
    RETURN_IF_ERROR(connection_.Explain(status));
    if (digest && Sha256(file->bytes) == *digest) return absl::OkStatus();
    return absl::DataLossError("the picture that arrived is damaged; try again");
  }

  // ---- addresses ----

  void Handle(const Exchange& exchange) {
    const HttpRequest& request = exchange->request();
    const bool get = request.method == "GET";
    if (!absl::StartsWith(request.path, "/api/")) {
      if (!get) return exchange->Answer(ErrorAnswer(405, "a page is only read"));
      return Page(exchange);
    }
    const std::string name = request.path.substr(5);
    using Route = void (Loom::*)(const Exchange&);
    static const std::map<std::string, Route> kGets = {
        {"session", &Loom::Session}, {"language", &Loom::Language}, {"stack", &Loom::AnswerStack},
        {"look", &Loom::Look},       {"curves", &Loom::Curves},     {"cached", &Loom::Cached},
        {"plan", &Loom::Plan},       {"jobs", &Loom::Jobs},         {"job", &Loom::Job},
        {"workers", &Loom::Workers}, {"cache", &Loom::Cache},       {"manual", &Loom::Manual},
        {"report", &Loom::GetTask},  {"fetch", &Loom::GetTask},     {"deliverables", &Loom::Deliverables},
    };
    static const std::map<std::string, Route> kPosts = {
        {"edit", &Loom::PostEdit},     {"undo", &Loom::PostUndo},     {"redo", &Loom::PostRedo},
        {"submit", &Loom::PostSubmit}, {"cancel", &Loom::PostCancel}, {"invalidate", &Loom::PostInvalidate},
        {"report", &Loom::PostReport}, {"fetch", &Loom::PostFetch},
    };
    if (get && absl::StartsWith(name, "manual/")) return Manual(exchange);
    const auto& routes = get ? kGets : kPosts;
    if (const auto found = routes.find(name); found != routes.end()) return (this->*found->second)(exchange);
    const bool other = (get ? kPosts : kGets).count(name) > 0;
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

  void Curves(const Exchange& exchange) {
    const auto frame = WholeParameter(exchange->request(), "frame");
    if (!frame.ok() || !*frame) return exchange->Answer(ErrorAnswer(400, "\"frame\" must be a whole number"));
    if (document_.good() == nullptr) return exchange->Answer(ErrorAnswer(422, "there is no stack to read"));
    const auto json = CurvesJson(document_.good()->stack(), exchange->request().Parameter("mask"),
                                 static_cast<int>(std::clamp<int64_t>(**frame, INT32_MIN, INT32_MAX)));
    exchange->Answer(json.ok() ? JsonAnswer(*json) : ErrorAnswer(json.status()));
  }

  // The stack that calls are about; nullptr when that has been answered.
  const Stack* NeedStack(const Exchange& exchange) {
    if (document_.state() == Document::kGood) return &document_.good()->stack();
    exchange->Answer(ErrorAnswer(422, document_.state() == Document::kNone ? "this loom is open on no stack"
                                      : document_.state() == Document::kFaulty
                                          ? "the stack's text has faults: mend them first"
                                          : "the stack file cannot be read now"));
    return nullptr;
  }

  void Cached(const Exchange& exchange) {
    const Stack* stack = NeedStack(exchange);
    if (stack == nullptr) return;
    WhyRequest request;
    *request.mutable_stack() = *stack;
    request.set_pass(exchange->request().Parameter("pass"));
    Ask<WhyRequest, WhyReply>(exchange, &JobService::Stub::Why, request,
                              [this, pass = request.pass()](const WhyReply& reply) {
                                if (reply.error_size() > 0) return FaultsAnswer(document_, reply.error());
                                return JsonAnswer(CachedJson(pass, reply));
                              });
  }

  void Plan(const Exchange& exchange) {
    const Stack* stack = NeedStack(exchange);
    if (stack == nullptr) return;
    PlanRequest request;
    *request.mutable_stack() = *stack;
    Ask<PlanRequest, PlanReply>(exchange, &JobService::Stub::Plan, request, [this](const PlanReply& reply) {
      if (reply.error_size() > 0) return FaultsAnswer(document_, reply.error());
      return JsonAnswer(PlanJson(reply));
    });
  }

  void Jobs(const Exchange& exchange) {
    const auto limit = WholeParameter(exchange->request(), "limit");
    if (!limit.ok()) return exchange->Answer(ErrorAnswer(400, std::string(limit.status().message())));
    ListJobsRequest request;
    request.set_limit(static_cast<uint32_t>(std::clamp<int64_t>(limit->value_or(100), 1, 1000)));
    request.set_owner(exchange->request().Parameter("owner"));
    Ask<ListJobsRequest, ListJobsReply>(exchange, &JobService::Stub::ListJobs, request,
                                        [](const ListJobsReply& reply) { return JsonAnswer(JobsJson(reply)); });
  }

  void Job(const Exchange& exchange) {
    JobRef request;
    request.set_job_id(exchange->request().Parameter("id"));
    Ask<JobRef, GetJobReply>(exchange, &JobService::Stub::GetJob, request, [](const GetJobReply& reply) {
      JsonWriter out;
      WriteJob(reply.progress(), true, &out);
      return JsonAnswer(out.Take());
    });
  }

  void Workers(const Exchange& exchange) {
    Ask<WorkersRequest, WorkersReply>(exchange, &JobService::Stub::Workers, WorkersRequest(),
                                      [](const WorkersReply& reply) { return JsonAnswer(WorkersJson(reply)); });
  }

  void Cache(const Exchange& exchange) {
    CacheInfoRequest request;
    if (document_.good() != nullptr) request.set_stack_name(document_.good()->stack().name());
    Ask<CacheInfoRequest, CacheInfoReply>(exchange, &JobService::Stub::CacheInfo, request,
                                          [](const CacheInfoReply& reply) { return JsonAnswer(CacheJson(reply)); });
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

  void PostEdit(const Exchange& exchange) {
    Edit(
        exchange, [this](const JsonMembers& request) { return document_.Edit(request); }, "edit");
  }
  void PostUndo(const Exchange& exchange) { TakeBack(exchange, &Document::Undo); }
  void PostRedo(const Exchange& exchange) { TakeBack(exchange, &Document::Redo); }

  void TakeBack(const Exchange& exchange, absl::Status (Document::*method)(const std::string&)) {
    Edit(
        exchange,
        [this, method](const JsonMembers& request) -> absl::Status {
          ASSIGN_OR_RETURN(const std::string digest, NeededText(request, "digest"));
          return (document_.*method)(digest);
        },
        "undo");
  }

  // The members of a POST; nullopt when a fault has been answered.
  std::optional<JsonMembers> Members(const Exchange& exchange) {
    absl::StatusOr<JsonMembers> members = ReadJson(exchange->request().body);
    if (members.ok()) return *std::move(members);
    exchange->Answer(ErrorAnswer(400, std::string(members.status().message())));
    return std::nullopt;
  }

  void PostSubmit(const Exchange& exchange) {
    const auto members = Members(exchange);
    if (!members) return;
    const Stack* stack = NeedStack(exchange);
    if (stack == nullptr) return;
    const auto digest = TextMember(*members, "digest");
    if (!digest.ok() || (!digest->empty() && *digest != document_.digest())) {
      return exchange->Answer(ErrorAnswer(409, "the stack is another one by now: look at it again"));
    }
    SubmitRequest request;
    *request.mutable_stack() = *stack;
    request.set_request_id(RandomId());
    request.set_owner(connection_.owner());
    Ask<SubmitRequest, SubmitReply>(exchange, &JobService::Stub::Submit, request, [this](const SubmitReply& reply) {
      if (reply.error_size() > 0) return FaultsAnswer(document_, reply.error());
      AskDaemon();
      return JsonAnswer(JsonWriter().Object().Text("job", reply.job_id()).EndObject().Take());
    });
  }

  void PostCancel(const Exchange& exchange) {
    const auto members = Members(exchange);
    if (!members) return;
    const auto job = NeededText(*members, "job");
    if (!job.ok()) return exchange->Answer(ErrorAnswer(400, std::string(job.status().message())));
    JobRef request;
    request.set_job_id(*job);
    Ask<JobRef, CancelReply>(exchange, &JobService::Stub::Cancel, request, [this](const CancelReply& reply) {
      AskDaemon();
      return JsonAnswer(JsonWriter().Object().Text("state", JobWord(reply.state())).EndObject().Take());
    });
  }

  void PostInvalidate(const Exchange& exchange) {
    const auto members = Members(exchange);
    if (!members) return;
    const Stack* stack = NeedStack(exchange);
    if (stack == nullptr) return;
    const absl::StatusOr<InvalidateRequest> request = ToInvalidate(*members, *stack);
    if (!request.ok()) return exchange->Answer(ErrorAnswer(request.status()));
    Ask<InvalidateRequest, InvalidateReply>(
        exchange, &JobService::Stub::Invalidate, *request, [](const InvalidateReply& reply) {
          return JsonAnswer(
              JsonWriter().Object().Whole("epoch", static_cast<int64_t>(reply.epoch())).EndObject().Take());
        });
  }

  static absl::StatusOr<InvalidateRequest> ToInvalidate(const JsonMembers& members, const Stack& stack) {
    InvalidateRequest request;
    request.set_stack_name(stack.name());
    ASSIGN_OR_RETURN(std::string pass, NeededText(members, "pass"));
    for (const Mask& mask : stack.mask()) {
      // Known to the daemon by this name: only a mask that follows is rendered on its own.
      if (mask.has_follow() && mask.name() == pass) pass = absl::StrCat("mask ", pass);
    }
    request.set_pass(pass);
    ASSIGN_OR_RETURN(const auto first, WholeMember(members, "first"));
    ASSIGN_OR_RETURN(const auto last, WholeMember(members, "last"));
    ASSIGN_OR_RETURN(const bool dependents, BoolMember(members, "dependents"));
    if (first || last) {
      request.mutable_frames()->set_first(static_cast<int>(first.value_or(stack.frames().first())));
      request.mutable_frames()->set_last(static_cast<int>(last.value_or(stack.frames().last())));
    }
    request.set_with_dependents(dependents);
    request.set_by(UserName());
    return request;
  }

  // ---- report, fetch ----

  void GetTask(const Exchange& exchange) {
    const HttpRequest& request = exchange->request();
    const auto json = tasks_.Json(request.path.substr(5), request.Parameter("id"));
    exchange->Answer(json.ok() ? JsonAnswer(*json) : ErrorAnswer(404, std::string(json.status().message())));
  }

  static void AnswerId(const Exchange& exchange, const absl::StatusOr<std::string>& id) {
    if (!id.ok()) return exchange->Answer(ErrorAnswer(id.status()));
    exchange->Answer(JsonAnswer(JsonWriter().Object().Text("id", *id).EndObject().Take()));
  }

  void PostReport(const Exchange& exchange) {
    const auto members = Members(exchange);
    if (!members) return;
    const Stack* stack = NeedStack(exchange);
    if (stack == nullptr) return;
    const auto begin = [&]() -> absl::StatusOr<std::string> {
      ReportWish wish;
      if (const JsonValue* passes = Member(*members, "passes")) {
        for (const JsonValue& pass : passes->list_value().values()) wish.passes.push_back(pass.string_value());
      }
      ASSIGN_OR_RETURN(wish.core, TextMember(*members, "core"));
      ASSIGN_OR_RETURN(wish.garbage, TextMember(*members, "garbage"));
      ASSIGN_OR_RETURN(wish.first, FrameMember(*members, "first"));
      ASSIGN_OR_RETURN(wish.last, FrameMember(*members, "last"));
      return tasks_.Report(*stack, wish);
    };
    AnswerId(exchange, begin());
  }

  static absl::StatusOr<std::optional<int>> FrameMember(const JsonMembers& members, const std::string& name) {
    ASSIGN_OR_RETURN(const auto value, WholeMember(members, name));
    if (!value) return std::optional<int>();
    return std::optional<int>(static_cast<int>(std::clamp<int64_t>(*value, INT32_MIN, INT32_MAX)));
  }

  // Gives `then` a job: of this id, or the newest of the loom's stack.
  void WithJob(const Exchange& exchange, const std::string& job, std::function<void(const GetJobReply&)> then) {
    const std::string name = document_.good() == nullptr ? "" : document_.good()->stack().name();
    const bool runs = calls_.Run([this, exchange, job, name, then]() mutable {
      auto reply = std::make_shared<GetJobReply>();
      const absl::Status status = FindJob(job, name, reply.get());
      Post([this, exchange = std::move(exchange), reply, status, then] {
        NoteDaemonCall(status);
        if (!status.ok()) return exchange->Answer(ErrorAnswer(FromDaemon(status)));
        then(*reply);
      });
    });
    if (!runs) Busy(exchange);
  }

  absl::Status FindJob(std::string job, const std::string& stack_name, GetJobReply* reply) {
    if (job.empty()) {
      ListJobsRequest list;
      list.set_limit(1000);
      ListJobsReply jobs;
      const StoppableCall call(&ending_, connection_.Call());
      RETURN_IF_ERROR(connection_.Explain(connection_.jobs().ListJobs(call.get(), list, &jobs)));
      for (const JobProgress& j : jobs.job()) {
        if (job.empty() && j.stack_name() == stack_name) job = j.job_id();
      }
      if (job.empty()) return absl::NotFoundError("this stack has not been submitted yet");
    }
    JobRef ref;
    ref.set_job_id(job);
    const StoppableCall call(&ending_, connection_.Call());
    return connection_.Explain(connection_.jobs().GetJob(call.get(), ref, reply));
  }

  void Deliverables(const Exchange& exchange) {
    WithJob(exchange, exchange->request().Parameter("job"), [this, exchange](const GetJobReply& job) {
      // Thousands of files are looked for: not on this thread.
      const bool runs = calls_.Run([this, exchange, job] {
        Post([exchange, text = DeliverablesJson(job)] { exchange->Answer(JsonAnswer(text)); });
      });
      if (!runs) Busy(exchange);
    });
  }

  void PostFetch(const Exchange& exchange) {
    const auto members = Members(exchange);
    if (!members) return;
    FetchWish wish;
    std::string job;
    const auto read = [&]() -> absl::Status {
      ASSIGN_OR_RETURN(job, TextMember(*members, "job"));
      ASSIGN_OR_RETURN(wish.deliverable, TextMember(*members, "deliverable"));
      ASSIGN_OR_RETURN(wish.overwrite, BoolMember(*members, "overwrite"));
      ASSIGN_OR_RETURN(const auto first, FrameMember(*members, "first"));
      ASSIGN_OR_RETURN(const auto last, FrameMember(*members, "last"));
      wish.frames = {first.value_or(INT32_MIN), last.value_or(INT32_MAX)};
      return absl::OkStatus();
    };
    if (const absl::Status done = read(); !done.ok()) return exchange->Answer(ErrorAnswer(done));
    WithJob(exchange, job,
            [this, exchange, wish](const GetJobReply& job) { AnswerId(exchange, tasks_.Fetch(job, wish)); });
  }

  const LoomOptions options_;
  Connection connection_;
  Document document_;
  asio::io_context context_{1};
  HttpServer server_;
  asio::steady_timer file_timer_, daemon_timer_;
  asio::signal_set signals_;

  std::set<std::shared_ptr<EventStream>> streams_;
  std::string daemon_state_, daemon_message_, jobs_;
  std::map<std::string, std::string> job_events_;
  std::set<std::string> watched_;
  bool checking_ = false, check_again_ = false, asking_ = false;
  // By viewer, and all that run.
  std::map<std::string, std::shared_ptr<LookCall>> viewers_;
  std::set<std::shared_ptr<LookCall>> running_;

  // Ends what is asked of the daemon when the loom ends.
  Stopper ending_;
  // Last, so that their threads end before what they use.
  WorkPool looks_, calls_, watches_;
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
