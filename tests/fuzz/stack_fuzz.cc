// A stack as an artist saves it: read, validated and planned.
#include <set>

#include "client/language/stack_file.h"
#include "google/protobuf/io/tokenizer.h"
#include "google/protobuf/text_format.h"
#include "server/plan/explain.h"
#include "server/plan/plan.h"
#include "tests/fuzz/target.h"

namespace selvage::plan {
namespace {

class Silent : public google::protobuf::io::ErrorCollector {
  void AddError(int, int, const std::string&) override {}
  void AddWarning(int, int, const std::string&) override {}
};

// The plate is made up; every third file is missing.
void FuzzPlan(const Stack& stack) {
  const std::vector<Target> targets = DeliverableTargets(stack);
  const PlateFiles files =
      *FindPlateFiles(stack, targets, [](const std::string& path) { return std::hash<std::string>()(path) % 3 != 0; });
  PlateFacts facts;
  facts.set_digest(std::string(32, 'x'));
  facts.mutable_format()->set_width(1920);
  facts.mutable_format()->set_height(1080);
  facts.mutable_data_window()->set_width(1920);
  facts.mutable_data_window()->set_height(1080);
  facts.set_file_type("openexr");
  PlateFiles pretended = files;
  pretended.errors.clear();
  for (const PlateFiles& f : {files, pretended}) {
    const Plan plan = *BuildPlan(stack, targets, f, [&](const std::string&) { return &facts; });
    MUST(plan.errors.empty() || plan.tasks.empty());
    if (!plan.errors.empty()) continue;
    MUST(plan.targets.size() == targets.size());
    std::set<Digest> made;
    for (const PlannedTask& task : plan.tasks) {
      for (const PlannedInput& in : task.inputs) {
        MUST((in.result.has_value() + (in.plate != nullptr) + (in.mask ? 1 : 0)) == 1);
        MUST(!in.result || made.count(in.result->digest));
      }
      MUST(made.insert(task.key.digest).second);
    }
    for (const ResultKey& key : plan.targets) MUST(made.count(key.digest));
    Probed nothing;
    nothing.state.assign(plan.tasks.size(), Probed::kRender);
    ExplainPlan(stack, plan, nothing, {});
  }
}

// Whatever has no fault of syntax is read; a fault has a place and words of ours.
void FuzzSyntax(const std::string& text) {
  const auto file = client::StackFile::Parse("f", text);
  if (file.ok()) return;
  const std::string message(file.status().message());
  MUST(message.rfind("f:", 0) == 0);
  for (const char* raw : {"cannot be read: ", "Expected \"", "is not a stack", "selvage.", "codepoint"}) {
    // What the artist wrote is quoted.
    if (message.find(raw) == std::string::npos || text.find(raw) != std::string::npos) continue;
    std::fprintf(stderr, "the parser's own words: %s\n", message.c_str());
    std::abort();
  }
}

void FuzzStack(const std::string& text) {
  Stack stack;
  Silent silent;
  google::protobuf::TextFormat::Parser parser;
  parser.RecordErrorsTo(&silent);
  parser.SetRecursionLimit(64);
  if (!parser.ParseFromString(text, &stack)) return;
  const std::vector<StackError> errors = Validate(stack);
  MUST(errors.size() <= 50);
  for (const StackError& e : errors) MUST(!e.message().empty() && !e.path().empty());
  // Long shots take long: size is not what is looked for here.
  if (!errors.empty() || int64_t{stack.frames().last()} - stack.frames().first() > 100) return;
  for (const Plate& p : stack.plate()) {
    if (int64_t{p.frames().last()} - p.frames().first() > 1000) return;
  }
  FuzzPlan(stack);
}

}  // namespace
}  // namespace selvage::plan

FUZZ_TARGET(stack) {
  selvage::plan::FuzzSyntax(std::string(text));
  selvage::plan::FuzzStack(std::string(text));
}
