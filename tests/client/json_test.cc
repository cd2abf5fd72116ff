#include "client/json.h"

#include <google/protobuf/util/json_util.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <limits>

#include "client/exit_code.h"
#include "client/faults.h"
#include "proto/job.pb.h"
#include "proto/report.pb.h"

namespace selvage::client {
namespace {

using ::testing::HasSubstr;

TEST(Json, LargeCountsAreNumbers) {
  CacheInfoReply reply;
  reply.set_bytes(12'345'678'901'234);
  reply.add_pass()->set_pass("core \"a\"\n");
  const std::string json = Json(reply);
  EXPECT_THAT(json, HasSubstr("\"bytes\": 12345678901234,"));
  EXPECT_THAT(json, HasSubstr("\"hits\": 0,"));
  EXPECT_THAT(json, HasSubstr("\"pass\": \"core \\\"a\\\"\\n\""));
}

// protobuf's own reader gets back what was written.
TEST(Json, ReadsBackAsTheSameMessage) {
  ShotReport report;
  report.set_stack_name("s\t\x01");
  PassReport* pass = report.add_pass();
  for (int i = 0; i < 3; ++i) {
    pass->add_frame()->set_frame(-1 - i);
    pass->mutable_frame(i)->mutable_figures()->set_flicker(0.1 / (i + 3));
    pass->mutable_frame(i)->mutable_figures()->set_covered_pixels(uint64_t{1} << 40);
  }
  pass->add_finding()->set_kind(Finding::VEIL);
  ShotReport back;
  ASSERT_TRUE(google::protobuf::util::JsonStringToMessage(Json(report), &back).ok()) << Json(report);
  EXPECT_EQ(back.SerializeAsString(), report.SerializeAsString());
  PlateSurvey survey;
  survey.add_bare(0.1f);
  survey.add_bare(1e-30f);
  PlateSurvey again;
  ASSERT_TRUE(google::protobuf::util::JsonStringToMessage(Json(survey), &again).ok()) << Json(survey);
  EXPECT_EQ(again.SerializeAsString(), survey.SerializeAsString());
}

TEST(Json, WhatJsonHasNotIsNull) {
  JobProgress p;
  p.set_seconds(std::numeric_limits<double>::quiet_NaN());
  EXPECT_THAT(Json(p), HasSubstr("\"seconds\": null"));
}

TEST(Faults, AreLinesForPeopleAndAListForPrograms) {
  const absl::Status status =
      FaultsIn("a.stack", {{3, 7, "pass[0].from", "there is no \"x\""}, {0, 0, "", "is empty"}});
  EXPECT_EQ(status.message(), "a.stack:3:7: there is no \"x\"\na.stack: is empty");
  const std::string json = FailureJson(status);
  for (const char* part : {"\"file\": \"a.stack\"", "\"line\": 3", "\"column\": 7", "\"path\": \"pass[0].from\"",
                           "\"message\": \"there is no \\\"x\\\"\"", "\"exit_code\": 1"}) {
    EXPECT_THAT(json, HasSubstr(part));
  }
  EXPECT_THAT(FailureJson(absl::InternalError("disk")), HasSubstr("\"message\": \"disk\""));
}

TEST(ExitCode, OursAndTheirFaultsAreToldApart) {
  EXPECT_EQ(ExitCodeOf(absl::OkStatus()), 0);
  EXPECT_EQ(ExitCodeOf(absl::InvalidArgumentError("")), 1);
  EXPECT_EQ(ExitCodeOf(absl::NotFoundError("")), 1);
  EXPECT_EQ(ExitCodeOf(UsageError("")), 2);
  EXPECT_EQ(ExitCodeOf(absl::UnavailableError("")), 3);
  EXPECT_EQ(ExitCodeOf(absl::AbortedError("")), 4);
  EXPECT_EQ(ExitCodeOf(absl::PermissionDeniedError("")), 5);
  EXPECT_EQ(ExitCodeOf(absl::InternalError("")), 6);
  EXPECT_EQ(ExitCodeOf(absl::ResourceExhaustedError("")), 6);
  EXPECT_EQ(ExitCodeOf(absl::DataLossError("")), 6);
}

}  // namespace
}  // namespace selvage::client
