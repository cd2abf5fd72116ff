// One input for everything that reads what artists write or bring along: as SVG path data,
// as a stack in text format that is validated and planned, as the papers of a delivery, and
// as the beginning of a picture's file. Aborts where a promise is broken; whatever is refused
// is fine.
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <set>

#include "client/intake/picture_header.h"
#include "client/json.h"
#include "client/language/stack_file.h"
#include "client/papers/papers.h"
#include "google/protobuf/io/tokenizer.h"
#include "google/protobuf/text_format.h"
#include "proto/svg_path.h"
#include "server/plan/explain.h"
#include "server/plan/plan.h"

namespace selvage::plan {
namespace {

#define MUST(condition)                                                    \
  do {                                                                     \
    if (!(condition)) {                                                    \
      std::fprintf(stderr, "%s:%d: %s\n", __FILE__, __LINE__, #condition); \
      std::abort();                                                        \
    }                                                                      \
  } while (false)

class Silent : public google::protobuf::io::ErrorCollector {
  void AddError(int, int, const std::string&) override {}
  void AddWarning(int, int, const std::string&) override {}
};

void FuzzPath(std::string_view text) {
  const auto path = ParseSvgPath(text);
  if (!path.ok()) {
    MUST(path.status().code() == absl::StatusCode::kInvalidArgument);
    MUST(path.status().message().substr(0, 7) == "column ");
    return;
  }
  for (const SubPath& s : path->sub_paths) {
    MUST(s.xy.size() >= 8 && s.xy.size() % 6 == 2);
    for (double v : s.xy) MUST(std::abs(v) <= 1e6);
  }
  MUST(CanMove(*path, *path));
}

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
    if (message.find(raw) == std::string::npos) continue;
    std::fprintf(stderr, "the parser's own words: %s\n", message.c_str());
    std::abort();
  }
}

// Papers that are read name no file outside of their folder, and are read back as they were.
void FuzzPapers(const std::string& text) {
  const auto papers = client::ParsePapers("f", text);
  if (!papers.ok()) {
    MUST(papers.status().code() == absl::StatusCode::kInvalidArgument);
    MUST(papers.status().message().substr(0, 2) == "f:");
    return;
  }
  for (const auto& file : papers->file()) {
    MUST(!file.path().empty() && file.path()[0] != '/' && ("/" + file.path() + "/").find("/../") == std::string::npos);
    for (const uint32_t source : file.source()) MUST(source < static_cast<uint32_t>(papers->source_size()));
  }
  const auto again = client::ParsePapers("f", client::Json(*papers));
  MUST(again.ok() && again->SerializeAsString() == papers->SerializeAsString());
}

void FuzzPictureHeader(const std::string& bytes) {
  const std::string type = client::PictureTypeIn([&](uint64_t offset, size_t count) {
    return offset > bytes.size() ? std::string() : bytes.substr(offset, count);
  });
  MUST(type.size() < 10'000);
  for (const char c : type) MUST(c >= ' ' && c < 127);
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

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size) {
  const std::string text(reinterpret_cast<const char*>(data), size);
  selvage::plan::FuzzPath(text);
  selvage::plan::FuzzSyntax(text);
  selvage::plan::FuzzStack(text);
  selvage::plan::FuzzPapers(text);
  selvage::plan::FuzzPictureHeader(text);
  return 0;
}
