// `selvage trace`, with a real worker behind it.
#include <google/protobuf/struct.pb.h>
#include <google/protobuf/util/json_util.h>

#include <algorithm>
#include <map>
#include <set>

#include "tests/e2e/studio.h"

namespace selvage::e2e {
namespace {

using google::protobuf::Struct;

#define EXPECT_SAYS(text, part) EXPECT_NE((text).find(part), std::string::npos) << (text)

Struct Parsed(const std::string& json) {
  Struct parsed;
  EXPECT_TRUE(google::protobuf::util::JsonStringToMessage(json, &parsed).ok()) << json.substr(0, 2000);
  return parsed;
}

TEST(Trace, IsATableAndAFileInWhichSpansLieWithinTheirTasks) {
  Studio studio(4);
  studio.Start();
  const std::string stack = studio.WriteStack("small.stack", SmallStack(4));
  studio.Submit(stack);
  const std::string path = studio.file("small.trace.json");
  const Finished table = studio.Client({"trace", "-o", path});
  ASSERT_EQ(table.exit_code, 0) << table.err;
  EXPECT_SAYS(table.out, "what");
  EXPECT_SAYS(table.out, "degrain");
  EXPECT_SAYS(table.out, "hash tiles");
  EXPECT_SAYS(table.out, "slots had nothing to do");
  EXPECT_SAYS(table.out, path);

  struct Slice {
    std::string name;
    double from, to;
  };
  std::map<std::pair<double, double>, std::vector<Slice>> tasks, spans;
  std::set<std::string> lanes;
  const Struct file = Parsed(ReadFile(path));
  for (const auto& value : file.fields().at("traceEvents").list_value().values()) {
    const auto& event = value.struct_value().fields();
    if (event.at("ph").string_value() == "M") {
      lanes.insert(event.at("args").struct_value().fields().at("name").string_value());
      continue;
    }
    const double from = event.at("ts").number_value();
    const Slice slice{event.at("name").string_value(), from, from + event.at("dur").number_value()};
    const bool is_task = event.at("cat").string_value() == "task" && slice.name != "lease";
    (is_task ? tasks : spans)[{event.at("pid").number_value(), event.at("tid").number_value()}].push_back(slice);
  }
  EXPECT_TRUE(lanes.contains("slot 1"));
  EXPECT_FALSE(lanes.contains("slot 3")) << "the daemon's worker has two";
  EXPECT_FALSE(tasks.empty());
  EXPECT_FALSE(spans.empty());
  for (const auto& [lane, of_lane] : spans) {
    for (const Slice& span : of_lane) {
      EXPECT_TRUE(std::any_of(tasks[lane].begin(), tasks[lane].end(),
                              [&](const Slice& task) { return task.from <= span.from && span.to <= task.to; }))
          << span.name << " lies in no task";
    }
  }

  const Struct json = Parsed(studio.Client({"--json", "trace", "last"}).out);
  double sum = 0;
  for (const auto& row : json.fields().at("where").list_value().values()) {
    sum += row.struct_value().fields().at("seconds").number_value();
  }
  EXPECT_GT(sum, 0);
  EXPECT_EQ(json.fields().at("left_out").number_value(), 0);

  // Its own file is written anew; somebody else's is not.
  EXPECT_EQ(studio.Client({"trace", "-o", path}).exit_code, 0);
  const std::string other = studio.file("notes.json");
  WriteFile(other, "{}");
  const Finished refused = studio.Client({"trace", "-o", other});
  EXPECT_NE(refused.exit_code, 0);
  EXPECT_SAYS(refused.err, "is no timeline of this command");
  EXPECT_EQ(ReadFile(other), "{}");

  studio.Submit(stack);
  EXPECT_SAYS(studio.Client({"trace"}).out, "all of it came from the cache");
}

}  // namespace
}  // namespace selvage::e2e
