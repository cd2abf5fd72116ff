// Beyond this machine: who comes in, and what they may do there.
#include <gmock/gmock.h>
#include <grpcpp/generic/generic_stub.h>

#include <filesystem>
#include <fstream>
#include <set>

#include "absl/strings/str_cat.h"
#include "proto/door/certificate.h"
#include "proto/version.h"
#include "server/door/permissions.h"
#include "tests/server/door_testing.h"

namespace selvage {
namespace {

using ::testing::HasSubstr;
namespace fs = std::filesystem;

TEST(Door, LetsInWhoeverHasATokenAndSaysWhoTheyAre) {
  Daemon daemon;
  DoorOf door(&daemon);
  const std::string token = door.Add("rhea", Token::SUBMITTER);
  WhoAmIReply reply;
  const grpc::Status status = AskWho(door.Channel(token), &reply);
  ASSERT_TRUE(status.ok()) << status.error_message();
  EXPECT_EQ(reply.name(), "rhea");
  EXPECT_EQ(reply.role(), Token::SUBMITTER);
  EXPECT_EQ(reply.version(), kVersion);
}

TEST(Door, OnThisMachineNobodyNeedsAToken) {
  Daemon daemon;
  WhoAmIReply reply;
  ASSERT_TRUE(AskWho(daemon.Channel(), &reply).ok());
  EXPECT_EQ(reply.name(), "");
  EXPECT_EQ(reply.role(), Token::ADMINISTRATOR);
}

TEST(Door, AMissingAWrongAndARevokedTokenAreToldApart) {
  Daemon daemon;
  DoorOf door(&daemon);
  const std::string token = door.Add("rhea", Token::ADMINISTRATOR);
  WhoAmIReply reply;
  const grpc::Status missing = AskWho(door.Channel(""), &reply);
  EXPECT_EQ(missing.error_code(), grpc::StatusCode::UNAUTHENTICATED);
  EXPECT_THAT(missing.error_message(), HasSubstr("asks for a token"));

  const grpc::Status wrong = AskWho(door.Channel("selvage_" + std::string(43, 'x')), &reply);
  EXPECT_EQ(wrong.error_code(), grpc::StatusCode::UNAUTHENTICATED);
  EXPECT_THAT(wrong.error_message(), HasSubstr("does not know this token"));

  const auto channel = door.Channel(token);
  EXPECT_TRUE(AskWho(channel, &reply).ok());
  door.Revoke("rhea");
  const grpc::Status revoked = AskWho(channel, &reply);
  EXPECT_EQ(revoked.error_code(), grpc::StatusCode::UNAUTHENTICATED);
  EXPECT_THAT(revoked.error_message(), HasSubstr("the token of rhea was revoked"));
}

TEST(Door, ARevokedTokenEndsWhatIsOpen) {
  Daemon daemon;
  DoorOf door(&daemon);
  const std::string token = door.Add("wall", Token::VIEWER);
  const std::string job = daemon.Submit(daemon.TwoPasses());  // no worker: it goes on for ever
  auto jobs = door.Jobs(token);
  WatchRequest request;
  request.set_job_id(job);
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(60));
  auto reader = jobs->Watch(&context, request);
  JobProgress progress;
  ASSERT_TRUE(reader->Read(&progress));
  door.Revoke("wall");
  while (reader->Read(&progress)) {
  }
  EXPECT_EQ(reader->Finish().error_code(), grpc::StatusCode::UNAUTHENTICATED);
}

TEST(Door, AnotherVersionIsTold) {
  Daemon daemon;
  DoorOf door(&daemon);
  const std::string token = door.Add("rhea", Token::ADMINISTRATOR);
  const std::string bearer = "Bearer " + token, old = "0.0.1";
  const absl::Status status = door.door().Admit("/selvage.JobService/ListJobs", &bearer, &old);
  EXPECT_TRUE(absl::IsFailedPrecondition(status));
  EXPECT_THAT(std::string(status.message()), HasSubstr("you are version 0.0.1"));
  EXPECT_TRUE(door.door().Admit("/selvage.JobService/ListJobs", &bearer, nullptr).ok());
}

// --- Roles.

// What each role may call, apart from the table of the daemon.
std::set<std::string> AllowedTo(Token::Role role) {
  const std::set<std::string> view = {"DoorService/WhoAmI",       "JobService/ListJobs",   "JobService/GetJob",
                                      "JobService/Watch",         "JobService/Fetch",      "JobService/FindWritten",
                                      "JobService/RecordWritten", "JobService/Workers",    "JobService/CacheInfo",
                                      "JobService/ListVersions",  "JobService/GetVersion", "JobService/Trace"};
  const std::set<std::string> submit = {"JobService/Check",   "JobService/Plan",      "JobService/Why",
                                        "JobService/Submit",  "JobService/Look",      "JobService/Cancel",
                                        "JobService/Release", "JobService/Invalidate"};
  const std::set<std::string> render = {"FarmService/Work", "FarmService/Finish", "CacheService/FindMissing",
                                        "CacheService/WriteTiles", "CacheService/ReadTiles"};
  std::set<std::string> allowed = view;
  if (role == Token::WORKER) {
    allowed = render;
    allowed.insert("DoorService/WhoAmI");
  }
  if (role == Token::SUBMITTER || role == Token::ADMINISTRATOR) allowed.insert(submit.begin(), submit.end());
  if (role == Token::ADMINISTRATOR) {
    allowed.insert(render.begin(), render.end());
    allowed.insert({"JobService/VerifyCache", "JobService/Backup"});
  }
  return allowed;
}

// Every method of every service that the .proto files have: "JobService/Submit".
std::vector<std::string> AllMethods() {
  std::vector<std::string> methods;
  const auto* pool = google::protobuf::DescriptorPool::generated_pool();
  for (const auto& entry : fs::recursive_directory_iterator(fs::path(SELVAGE_SOURCE_DIR) / "proto")) {
    if (entry.path().extension() != ".proto") continue;
    std::ifstream in(entry.path());
    for (std::string line; std::getline(in, line);) {
      if (line.rfind("service ", 0) != 0) continue;
      const std::string name = line.substr(8, line.find(' ', 8) - 8);
      const auto* service = pool->FindServiceByName("selvage." + name);
      EXPECT_NE(service, nullptr) << name;
      for (int i = 0; service != nullptr && i < service->method_count(); ++i) {
        methods.push_back(absl::StrCat(name, "/", service->method(i)->name()));
      }
    }
  }
  return methods;
}

// As a client without our stubs: an empty message, then the end.
grpc::Status CallAny(const std::shared_ptr<grpc::Channel>& channel, const std::string& method) {
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(30));
  grpc::CompletionQueue queue;
  const auto next = [&queue] {
    void* tag = nullptr;
    bool ok = false;
    return queue.Next(&tag, &ok) && ok;
  };
  grpc::GenericStub stub(channel);
  const auto call = stub.PrepareCall(&context, method, &queue);
  call->StartCall(nullptr);
  if (next()) {
    const grpc::Slice nothing("");
    call->WriteLast(grpc::ByteBuffer(&nothing, 1), grpc::WriteOptions(), nullptr);
    next();
  }
  grpc::ByteBuffer answer;
  do {
    call->Read(&answer, nullptr);
  } while (next());
  grpc::Status status;
  call->Finish(&status, nullptr);
  next();
  queue.Shutdown();
  return status;
}

TEST(Roles, EveryMethodOfEveryServiceIsInTheTable) {
  const std::vector<std::string> methods = AllMethods();
  EXPECT_GE(methods.size(), 24u);
  const std::vector<std::string> known = KnownMethods();
  for (const std::string& m : methods) {
    EXPECT_EQ(std::count(known.begin(), known.end(), "/selvage." + m), 1) << m << " has no row in permissions.cc";
  }
}

TEST(Roles, EveryMethodIsOpenToThoseRolesThatMayCallItAndToNoOther) {
  Daemon daemon;
  DoorOf door(&daemon);
  for (const Token::Role role : {Token::VIEWER, Token::SUBMITTER, Token::WORKER, Token::ADMINISTRATOR}) {
    const auto channel = door.Channel(door.Add(RoleText(role), role));
    const std::set<std::string> allowed = AllowedTo(role);
    for (const std::string& m : AllMethods()) {
      const grpc::Status status = CallAny(channel, "/selvage." + m);
      const bool refused = status.error_message().find("the role of your token is") != std::string::npos;
      EXPECT_EQ(refused, allowed.count(m) == 0) << RoleText(role) << " " << m << ": " << status.error_message();
      EXPECT_TRUE(!refused || status.error_code() == grpc::StatusCode::PERMISSION_DENIED) << m;
      EXPECT_NE(status.error_code(), grpc::StatusCode::UNAVAILABLE) << m << ": " << status.error_message();
    }
    EXPECT_EQ(CallAny(channel, "/selvage.JobService/Nonsense").error_code(), grpc::StatusCode::PERMISSION_DENIED);
  }
}

TEST(Roles, WithoutATokenOnlyHealthAnswers) {
  Daemon daemon;
  DoorOf door(&daemon);
  const auto channel = door.Channel("");
  for (const std::string& m : AllMethods()) {
    EXPECT_EQ(CallAny(channel, "/selvage." + m).error_code(), grpc::StatusCode::UNAUTHENTICATED) << m;
  }
  const grpc::Status health = CallAny(channel, "/grpc.health.v1.Health/Check");
  EXPECT_TRUE(health.ok()) << health.error_code() << health.error_message();
  EXPECT_EQ(CallAny(channel, "/grpc.health.v1.Health/Watch").error_code(), grpc::StatusCode::UNAUTHENTICATED);
}

// --- One's own.

class Own : public ::testing::Test {
 protected:
  std::string SubmitAs(const std::string& token, const Stack& stack) {
    SubmitRequest request;
    *request.mutable_stack() = stack;
    request.set_owner("somebody@else");
    SubmitReply reply;
    grpc::ClientContext context;
    const grpc::Status status = door_.Jobs(token)->Submit(&context, request, &reply);
    EXPECT_TRUE(status.ok()) << status.error_message();
    return reply.job_id();
  }
  grpc::Status CancelAs(const std::string& token, const std::string& job) {
    JobRef ref;
    ref.set_job_id(job);
    CancelReply reply;
    grpc::ClientContext context;
    return door_.Jobs(token)->Cancel(&context, ref, &reply);
  }
  grpc::Status InvalidateAs(const std::string& token, const std::string& stack, const std::string& worker = "") {
    InvalidateRequest request;
    request.set_stack_name(stack);
    request.set_worker(worker);
    InvalidateReply reply;
    grpc::ClientContext context;
    return door_.Jobs(token)->Invalidate(&context, request, &reply);
  }
  grpc::Status ReleaseAs(const std::string& token, const std::string& stack) {
    ReleaseRequest request;
    request.set_stack_name(stack);
    ReleaseReply reply;
    grpc::ClientContext context;
    return door_.Jobs(token)->Release(&context, request, &reply);
  }

  Daemon daemon_;
  DoorOf door_{&daemon_};
  const std::string rhea_ = door_.Add("rhea", Token::SUBMITTER), tove_ = door_.Add("tove", Token::SUBMITTER),
                    chief_ = door_.Add("chief", Token::ADMINISTRATOR);
};

TEST_F(Own, AJobBelongsToTheTokenWhateverTheRequestSays) {
  SubmitAs(rhea_, daemon_.TwoPasses());
  ListJobsReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(daemon_.jobs().ListJobs(&context, ListJobsRequest(), &reply).ok());
  EXPECT_EQ(reply.job(0).owner(), "rhea");
}

TEST_F(Own, OnlyOwnersAndAdministratorsCancelAJob) {
  const std::string job = SubmitAs(rhea_, daemon_.TwoPasses());
  const grpc::Status refused = CancelAs(tove_, job);
  EXPECT_EQ(refused.error_code(), grpc::StatusCode::PERMISSION_DENIED);
  EXPECT_THAT(refused.error_message(), HasSubstr("is not tove's but rhea's"));
  EXPECT_TRUE(CancelAs(rhea_, job).ok());
  EXPECT_TRUE(CancelAs(chief_, SubmitAs(tove_, daemon_.TwoPasses())).ok());
  // One that was submitted on the daemon's own machine.
  EXPECT_EQ(CancelAs(tove_, daemon_.Submit(daemon_.TwoPasses())).error_code(), grpc::StatusCode::PERMISSION_DENIED);
}

TEST_F(Own, AStackBelongsToWhoeverSubmittedItLast) {
  SubmitAs(rhea_, daemon_.TwoPasses());
  const grpc::Status refused = InvalidateAs(tove_, "shot");
  EXPECT_EQ(refused.error_code(), grpc::StatusCode::PERMISSION_DENIED);
  EXPECT_THAT(refused.error_message(), HasSubstr("it was submitted last by rhea"));
  EXPECT_EQ(ReleaseAs(tove_, "shot").error_code(), grpc::StatusCode::PERMISSION_DENIED);
  EXPECT_EQ(InvalidateAs(tove_, "never_seen").error_code(), grpc::StatusCode::PERMISSION_DENIED);
  EXPECT_TRUE(InvalidateAs(rhea_, "shot").ok());
  EXPECT_TRUE(InvalidateAs(chief_, "shot").ok());
  // Of one's own, but there is nothing to release, or it runs.
  EXPECT_EQ(ReleaseAs(rhea_, "shot").error_code(), grpc::StatusCode::FAILED_PRECONDITION);
  SubmitAs(tove_, daemon_.TwoPasses());
  EXPECT_TRUE(InvalidateAs(tove_, "shot").ok());
  EXPECT_EQ(InvalidateAs(rhea_, "shot").error_code(), grpc::StatusCode::PERMISSION_DENIED);
}

TEST_F(Own, WorkOfAWorkerIsForAdministrators) {
  EXPECT_EQ(InvalidateAs(rhea_, "", "render3").error_code(), grpc::StatusCode::PERMISSION_DENIED);
  EXPECT_EQ(InvalidateAs(chief_, "", "render3").error_code(), grpc::StatusCode::NOT_FOUND);
}

TEST_F(Own, UnfinishedJobsOfOnePersonAreBounded) {
  std::string last;
  for (int i = 0; i < 200; ++i) last = SubmitAs(rhea_, daemon_.TwoPasses(1));
  SubmitRequest request;
  *request.mutable_stack() = daemon_.TwoPasses(1);
  SubmitReply reply;
  grpc::ClientContext context;
  const grpc::Status refused = door_.Jobs(rhea_)->Submit(&context, request, &reply);
  EXPECT_EQ(refused.error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED) << refused.error_message();
  EXPECT_THAT(refused.error_message(), HasSubstr("rhea has 200 unfinished jobs"));
  SubmitAs(tove_, daemon_.TwoPasses(1));
  EXPECT_TRUE(CancelAs(rhea_, last).ok());
  SubmitAs(rhea_, daemon_.TwoPasses(1));
}

TEST_F(Own, OpenCallsOfOnePersonAreBounded) {
  const std::string job = daemon_.Submit(daemon_.TwoPasses());
  WatchRequest request;
  request.set_job_id(job);
  const auto jobs = door_.Jobs(rhea_);
  std::vector<std::unique_ptr<grpc::ClientContext>> contexts;
  std::vector<std::unique_ptr<grpc::ClientReader<JobProgress>>> readers;
  JobProgress progress;
  for (int i = 0; i < 64; ++i) {
    contexts.push_back(std::make_unique<grpc::ClientContext>());
    readers.push_back(jobs->Watch(contexts.back().get(), request));
    ASSERT_TRUE(readers.back()->Read(&progress)) << i;
  }
  grpc::ClientContext context, other;
  auto refused = jobs->Watch(&context, request);
  EXPECT_FALSE(refused->Read(&progress));
  const grpc::Status status = refused->Finish();
  EXPECT_EQ(status.error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED) << status.error_message();
  // Nobody else is held up.
  const auto others = door_.Jobs(tove_);
  auto welcome = others->Watch(&other, request);
  EXPECT_TRUE(welcome->Read(&progress));
  other.TryCancel();
  welcome->Finish();
  for (size_t i = 0; i < readers.size(); ++i) {
    contexts[i]->TryCancel();
    readers[i]->Finish();
  }
}

TEST(DoorForWorkers, WhatIsHandedInCarriesTheNameOfTheToken) {
  Daemon daemon;
  DoorOf door(&daemon);
  const std::string token = door.Add("farm", Token::WORKER);
  FakeWorker worker(door.Channel(token), "node7:1");
  const JobProgress p = daemon.Run(daemon.TwoPasses());
  EXPECT_EQ(p.state(), JOB_DONE);
  WorkersReply reply;
  grpc::ClientContext context;
  ASSERT_TRUE(daemon.jobs().Workers(&context, WorkersRequest(), &reply).ok());
  ASSERT_EQ(reply.worker_size(), 1);
  EXPECT_THAT(reply.worker(0).name(), ::testing::EndsWith("@farm"));
  EXPECT_THAT(reply.worker(0).worker_id(), ::testing::EndsWith("@farm"));
  // All that the token's workers made can be named by it.
  InvalidateRequest request;
  request.set_worker("@farm");
  InvalidateReply invalidated;
  grpc::ClientContext another;
  ASSERT_TRUE(daemon.jobs().Invalidate(&another, request, &invalidated).ok());
  EXPECT_GT(invalidated.results(), 0u);
}

}  // namespace
}  // namespace selvage
