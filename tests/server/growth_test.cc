// What is remembered is bounded, whatever is asked of the daemon: rows of stacks
// that nobody uses, invalidations, files that were written.
#include <thread>

#include "absl/strings/str_cat.h"
#include "server/engine/state_format.h"
#include "tests/server/daemon.h"

namespace selvage {
namespace {

size_t Rows(Daemon& d, const std::string& prefix) { return d.cache().index->ListValues(prefix).value().size(); }

size_t JournalEntries(Daemon& d) {
  size_t count = 0;
  EXPECT_TRUE(d.cache().index->ReadJournal(0, [&](const JournalEntry&) { ++count; }).ok());
  return count;
}

Stack Named(const Daemon& d, int number) {
  Stack stack = d.TwoPasses(1);
  stack.set_name(absl::StrCat("stack_", number));
  return stack;
}

grpc::Status Invalidate(Daemon& d, const std::string& stack, const std::string& pass) {
  InvalidateRequest request;
  request.set_stack_name(stack);
  request.set_pass(pass);
  InvalidateReply reply;
  grpc::ClientContext context;
  return d.jobs().Invalidate(&context, request, &reply);
}

// Deleting is work that no request waits for.
void WaitForRows(Daemon& d, const std::string& prefix, size_t at_most) {
  for (int i = 0; i < 2000 && Rows(d, prefix) > at_most; ++i) {
    std::this_thread::sleep_for(std::chrono::milliseconds(5));
  }
  EXPECT_LE(Rows(d, prefix), at_most) << prefix;
}

TEST(Growth, EverNewStackNamesLeaveTheIndexWhereItWas) {
  Daemon d;
  d.Stop();
  d.options.known_stacks = 5;
  d.Start();
  FakeWorker w(d.Channel(), "w");
  for (int i = 0; i < 40; ++i) ASSERT_EQ(d.Run(Named(d, i)).state(), JOB_DONE);
  // Five, and as many again before it is worth while.
  const size_t stacks = 10;
  WaitForRows(d, "made-of/", stacks * 3);
  WaitForRows(d, "savings/", stacks);
  WaitForRows(d, "stack/", stacks);
  EXPECT_LE(d.cache().index->ListStacks().value().size(), stacks);
  EXPECT_EQ(d.cache().index->FindNames("stack_39", "").value().size(), 3u) << "the newest are remembered";
  EXPECT_TRUE(d.cache().index->FindNames("stack_0", "").value().empty());
  EXPECT_EQ(w.counts()["key"], 1) << "results are shared, whatever is forgotten of names";
  EXPECT_EQ(Rendered(d.Run(Named(d, 0))), 0u) << "and are found without them";
}

TEST(Growth, StacksOfAFolderThatDidNotNoteThemAreCollectedTooButNotWhatIsKept) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  for (int i = 0; i < 12; ++i) {
    Stack stack = Named(d, i);
    if (i == 0) stack.mutable_pass(0)->set_keep(Pass::ALWAYS);
    ASSERT_EQ(d.Run(stack).state(), JOB_DONE);
  }
  d.Stop();
  // As by a daemon of an older version.
  IndexBatch batch;
  const auto rows = d.cache().index->ListValues("stack/").value();
  for (const auto& [name, value] : rows) batch.values.emplace_back(name, "");
  ASSERT_TRUE(d.cache().index->Commit(batch).ok());
  d.options.known_stacks = 3;
  d.Start();
  WaitForRows(d, "savings/", 3);
  EXPECT_EQ(d.cache().index->ListStacks().value().size(), 3u);
  EXPECT_EQ(d.cache().index->FindNames("stack_0", "").value().size(), 3u) << "it keeps results";
}

TEST(Growth, ManyInvalidationsLeaveJournalAndRestartWhereTheyWere) {
  Daemon d;
  FakeWorker w(d.Channel(), "w");
  d.Run(Named(d, 0));
  for (int i = 0; i < 300; ++i) ASSERT_TRUE(Invalidate(d, "stack_0", i % 2 ? "key" : "hard").ok());
  EXPECT_LT(JournalEntries(d), 100u);
  EXPECT_EQ(Rows(d, "epochs/"), 1u);
  d.Restart();
  (void)d.cache().committer->Commit({});
  EXPECT_LT(JournalEntries(d), 5u);
  FakeWorker again(d.Channel(), "w2");
  EXPECT_EQ(Line(d.Run(Named(d, 0)), "key")->rendered(), 1u) << "and none is lost";
  EXPECT_EQ(Rendered(d.Run(Named(d, 0))), 0u);
}

TEST(Growth, InvalidationsOfStacksThatWereForgottenStillCount) {
  Daemon d;
  d.Stop();
  d.options.known_stacks = 2;
  d.Start();
  FakeWorker w(d.Channel(), "w");
  d.Run(Named(d, 0));
  ASSERT_TRUE(Invalidate(d, "stack_0", "key").ok());
  for (int i = 1; i < 10; ++i) d.Run(Named(d, i));
  WaitForRows(d, "stack/", 4);
  ASSERT_TRUE(d.cache().index->FindNames("stack_0", "").value().empty());
  d.Restart();
  FakeWorker again(d.Channel(), "w2");
  EXPECT_EQ(Line(d.Run(Named(d, 0)), "key")->rendered(), 1u);
}

// An artist, or a script, that gives a pass another name each time.
TEST(Growth, PassesThatALivingStackNoLongerHasAreForgottenWhenThereAreTooMany) {
  Daemon d;
  d.Stop();
  d.options.former_passes = 50;
  d.Start();
  FakeWorker w(d.Channel(), "w");
  const auto renamed = [&](int round) {
    Stack stack = d.TwoPasses(1);
    const Pass key = stack.pass(0);
    stack.clear_pass();
    std::string from = key.from();
    for (int i = 0; i < 20; ++i) {
      Pass* pass = stack.add_pass();
      pass->set_name(absl::StrCat("key_", round, "_", i));
      pass->set_from(from);
      from = pass->name();
      if (i == 0) *pass->add_step() = key.step(0);
      pass->add_step()->mutable_levels()->mutable_black()->set_value(i / 1000.0);
    }
    stack.mutable_deliver(0)->set_from(from);
    return stack;
  };
  for (int round = 0; round < 3; ++round) ASSERT_EQ(d.Run(renamed(round)).state(), JOB_DONE);
  const auto names = [&](const std::string& pass) { return d.cache().index->FindNames("shot", pass).value().size(); };
  EXPECT_EQ(names("key_0_7"), 1u) << "40 that are no longer there are not too many";
  ASSERT_EQ(d.Run(renamed(3)).state(), JOB_DONE);
  d.FinishPosted();
  WaitForRows(d, "made-of/", 21);
  EXPECT_EQ(names("key_0_7"), 0u);
  EXPECT_EQ(names("key_2_19"), 0u);
  EXPECT_EQ(names("key_3_7"), 1u);
  EXPECT_EQ(Rendered(d.Run(renamed(0))), 0u) << "results are found without their names";
}

TEST(Growth, EverNewPlatesLeaveTheIndexWhereItWas) {
  Daemon d;
  d.Stop();
  d.options.known_plates = 4;
  d.Start();
  {
    FakeWorker w(d.Channel(), "w");
    ASSERT_EQ(d.Run(d.TwoPasses(3)).state(), JOB_DONE);
    EXPECT_EQ(Rows(d, "plate/"), 3u);
    ASSERT_EQ(d.Run(d.TwoPasses(10)).state(), JOB_DONE);
    WaitForRows(d, "plate/", 4);
    EXPECT_EQ(Rows(d, "plate/"), 4u) << "the newest are remembered";
  }
  d.Restart();
  FakeWorker w(d.Channel(), "w2");
  EXPECT_EQ(Rendered(d.Run(d.TwoPasses(10))), 0u) << "what was forgotten is read again, and is the same";
  EXPECT_EQ(w.counts()["plate plate"], 6);
  WaitForRows(d, "plate/", 4);
}

RecordWrittenRequest Wrote(const std::string& stack, const std::vector<std::string>& paths, const std::string& what) {
  RecordWrittenRequest request;
  request.set_stack_name(stack);
  request.set_deliverable("comp");
  request.set_host("ws3");
  for (const std::string& path : paths) {
    WrittenFile* file = request.add_file();
    file->set_path(path);
    file->set_digest(Sha256(what + path).str());
  }
  return request;
}

grpc::Status Record(Daemon& d, const RecordWrittenRequest& request) {
  RecordWrittenReply reply;
  grpc::ClientContext context;
  return d.jobs().RecordWritten(&context, request, &reply);
}

std::string Found(Daemon& d, const std::string& stack, const std::string& host, const std::vector<std::string>& paths) {
  FindWrittenRequest request;
  request.set_stack_name(stack);
  request.set_deliverable("comp");
  request.set_host(host);
  for (const std::string& path : paths) request.add_path(path);
  FindWrittenReply reply;
  grpc::ClientContext context;
  const grpc::Status status = d.jobs().FindWritten(&context, request, &reply);
  EXPECT_TRUE(status.ok()) << status.error_message();
  std::string found;
  for (const WrittenFile& f : reply.file()) {
    for (const char* what : {"old", "new"}) {
      if (f.digest() == Sha256(what + f.path()).str()) absl::StrAppend(&found, f.path(), " ", what, "; ");
    }
  }
  return found;
}

TEST(Written, TheNewestDigestOfEachPathIsRememberedAcrossARestart) {
  Daemon d;
  ASSERT_TRUE(Record(d, Wrote("shot", {"/out/1", "/out/2"}, "old")).ok());
  ASSERT_TRUE(Record(d, Wrote("shot", {"/out/2"}, "new")).ok());
  d.Restart();
  EXPECT_EQ(Found(d, "shot", "ws3", {"/out/3", "/out/2", "/out/1"}), "/out/2 new; /out/1 old; ");
  EXPECT_EQ(Found(d, "shot", "ws4", {"/out/1"}), "") << "paths are the host's own";
  EXPECT_EQ(Found(d, "other", "ws3", {"/out/1"}), "");
}

TEST(Written, WhatMakesNoSenseIsRefused) {
  Daemon d;
  for (const std::string& path :
       {std::string(), std::string("out/1"), "/" + std::string(5000, 'x'), std::string("/a\0b", 4)}) {
    EXPECT_EQ(Record(d, Wrote("shot", {path}, "old")).error_code(), grpc::StatusCode::INVALID_ARGUMENT) << path;
  }
  EXPECT_EQ(Record(d, Wrote("", {"/a"}, "old")).error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  EXPECT_EQ(Record(d, Wrote("shot", std::vector<std::string>(1001, "/a"), "old")).error_code(),
            grpc::StatusCode::INVALID_ARGUMENT);
  RecordWrittenRequest request = Wrote("shot", {"/a"}, "old");
  request.mutable_file(0)->set_digest("short");
  EXPECT_EQ(Record(d, request).error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  EXPECT_EQ(Rows(d, "written/"), 0u);
}

TEST(Written, TheOldestGoBeyondTheirNumber) {
  Daemon d;
  d.Stop();
  d.options.written_files = 50;
  d.Start();
  for (int i = 0; i < 20; ++i) {
    std::vector<std::string> paths;
    for (int j = 0; j < 10; ++j) paths.push_back(absl::StrCat("/out/", i * 10 + j));
    ASSERT_TRUE(Record(d, Wrote("shot", paths, "old")).ok());
    std::this_thread::sleep_for(std::chrono::milliseconds(2));  // times differ
  }
  WaitForRows(d, "written/", 100);
  EXPECT_EQ(Found(d, "shot", "ws3", {"/out/0", "/out/199"}), "/out/199 old; ");
}

TEST(Written, GoesWithItsStack) {
  Daemon d;
  d.Stop();
  d.options.known_stacks = 2;
  d.Start();
  FakeWorker w(d.Channel(), "w");
  d.Run(Named(d, 0));
  ASSERT_TRUE(Record(d, Wrote("stack_0", {"/out/1"}, "old")).ok());
  for (int i = 1; i < 10; ++i) d.Run(Named(d, i));
  WaitForRows(d, "written/", 0);
}

}  // namespace
}  // namespace selvage
