#include "tests/server/daemon.h"

#include <barrier>
#include <fstream>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "google/protobuf/text_format.h"

namespace selvage {

namespace fs = std::filesystem;

namespace {

constexpr int kThreads = 4;

}  // namespace

Daemon::Daemon(const CacheOptions& cache) {
  options.adoption_seconds = 0.2;
  options.patience_seconds = 2;
  options.reconnect_seconds = 0.5;
  // The fake worker has no heartbeat; a machine under load is not what is tested.
  options.lease_ms = 120'000;
  // Most of what is tested here is what happens to single results.
  options.storing.all = true;
  std::string pattern = (fs::temp_directory_path() / "selvage-server-XXXXXX").string();
  folder_ = mkdtemp(pattern.data());
  for (int f = 1; f <= 10; ++f) {
    WritePlate(f, absl::StrCat("plate ", f));
    // Old enough to be remembered (WorthRemembering).
    const fs::path path = file(absl::StrFormat("plate.%04d.exr", f));
    fs::last_write_time(path, fs::last_write_time(path) - std::chrono::seconds(10));
  }
  cache_ = OpenMemoryCache(cache);
  Start();
}

void Daemon::FinishPosted() {
  // Every thread is here, so none is still at something older.
  auto all = std::make_shared<std::barrier<>>(kThreads + 1);
  for (int i = 0; i < kThreads; ++i) engine_->pool().Post([all] { all->arrive_and_wait(); });
  all->arrive_and_wait();
}

Daemon::~Daemon() {
  Stop();
  std::error_code error;
  fs::remove_all(folder_, error);
}

void Daemon::Start() {
  pool_ = std::make_unique<Pool>(kThreads);
  auto roots = Roots::Open({folder_.string()});
  ASSERT_TRUE(roots.ok()) << roots.status();
  engine_ = std::make_unique<Engine>(pool_.get(), cache_, *roots, options);
  ASSERT_TRUE(engine_->Start().ok());
  server_ = std::make_unique<GrpcServer>(engine_.get());
  auto port = server_->Start("127.0.0.1:0");
  ASSERT_TRUE(port.ok()) << port.status();
  port_ = *port;
  jobs_ = JobService::NewStub(Channel());
}

void Daemon::Stop() {
  if (!engine_) return;
  engine_->Stop();
  server_->Shutdown();
  pool_->Stop();
  // The committer calls back into the pool.
  (void)cache_.committer->Commit({});
  server_.reset();
  engine_.reset();
}

std::shared_ptr<grpc::Channel> Daemon::Channel() const {
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  return grpc::CreateCustomChannel(absl::StrCat("127.0.0.1:", port_), grpc::InsecureChannelCredentials(), arguments);
}

void Daemon::WritePlate(int frame, const std::string& bytes) const {
  std::ofstream(file(absl::StrFormat("plate.%04d.exr", frame))) << bytes;
}

Stack Daemon::TwoPasses(int frames, double hard_black) const {
  Stack stack;
  const std::string text = absl::StrFormat(R"(
name: "shot"
frames { first: 1 last: %d }
plate { name: "plate" files: "%s" }
pass { name: "key" from: "plate" step { color_difference {} } }
pass { name: "hard" from: "key" step { levels { black { value: %f } } } }
deliver { name: "matte" from: "hard" files: "%s" }
)",
                                           frames, file("plate.%04d.exr"), hard_black, file("out.%04d.exr"));
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &stack)) << text;
  return stack;
}

std::string Daemon::Submit(const Stack& stack, const std::string& request_id) {
  SubmitRequest request;
  *request.mutable_stack() = stack;
  request.set_request_id(request_id);
  SubmitReply reply;
  grpc::ClientContext context;
  status = jobs_->Submit(&context, request, &reply);
  EXPECT_TRUE(status.ok()) << status.error_message();
  for (const StackError& e : reply.error()) ADD_FAILURE() << e.path() << ": " << e.message();
  return reply.job_id();
}

JobProgress Daemon::WatchToEnd(const std::string& job) {
  WatchRequest request;
  request.set_job_id(job);
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(60));
  auto reader = jobs_->Watch(&context, request);
  JobProgress p, last;
  while (reader->Read(&p)) {
    EXPECT_GT(p.sequence(), last.sequence()) << "messages are numbered";
    last = p;
  }
  status = reader->Finish();
  EXPECT_TRUE(status.ok()) << status.error_message() << last.ShortDebugString();
  return last;
}

PlanReply Daemon::Plan(const Stack& stack) {
  PlanRequest request;
  *request.mutable_stack() = stack;
  PlanReply reply;
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(30));
  status = jobs_->Plan(&context, request, &reply);
  return reply;
}

std::string Daemon::Fetch(const std::string& job, int frame, uint64_t offset) {
  FetchRequest request;
  request.set_job_id(job);
  request.set_deliverable("matte");
  request.set_frame(frame);
  request.set_offset(offset);
  grpc::ClientContext context;
  auto reader = jobs_->Fetch(&context, request);
  FileChunk chunk;
  std::string bytes;
  while (reader->Read(&chunk)) {
    EXPECT_EQ(chunk.offset(), offset + bytes.size());
    bytes += chunk.data();
  }
  status = reader->Finish();
  return status.ok() ? bytes : "";
}

uint64_t Rendered(const JobProgress& p) {
  uint64_t n = 0;
  for (const PassProgress& line : p.pass()) {
    if (line.pass().rfind("plate ", 0) != 0) n += line.rendered();
  }
  return n;
}

uint64_t Reused(const JobProgress& p) {
  uint64_t n = 0;
  for (const PassProgress& line : p.pass()) n += line.reused();
  return n;
}

const PassProgress* Line(const JobProgress& p, const std::string& pass) {
  for (const PassProgress& line : p.pass()) {
    if (line.pass() == pass) return &line;
  }
  return nullptr;
}

}  // namespace selvage
