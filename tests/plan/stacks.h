// Stacks for planner tests, and plates that exist only in the mind.
#pragma once

#include <map>
#include <set>
#include <string>
#include <vector>

#include "google/protobuf/text_format.h"
#include "gtest/gtest.h"
#include "server/plan/plan.h"

namespace selvage::plan {

inline Stack ParseStack(const std::string& text) {
  Stack stack;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &stack)) << text;
  return stack;
}

// Every file exists unless it is in `missing`; its content is its name, unless
// `content` says otherwise.
struct Disk {
  std::set<std::string> missing;
  std::map<std::string, std::string> content;
  std::map<std::string, std::pair<int, int>> size;
  int width = 1920, height = 1080;
  mutable std::map<std::string, PlateFacts> facts;

  std::function<bool(const std::string&)> Exists() const {
    return [this](const std::string& path) { return missing.count(path) == 0; };
  }
  FactsOf Facts() const {
    return [this](const std::string& path) -> const PlateFacts* {
      auto [it, is_new] = facts.try_emplace(path);
      PlateFacts& f = it->second;
      if (is_new) {
        auto c = content.find(path);
        f.set_digest(Sha256(c == content.end() ? path : c->second).str());
        auto s = size.find(path);
        f.mutable_format()->set_width(s == size.end() ? width : s->second.first);
        f.mutable_format()->set_height(s == size.end() ? height : s->second.second);
        f.mutable_data_window()->set_width(f.format().width());
        f.mutable_data_window()->set_height(f.format().height());
        f.set_file_type("openexr");
      }
      return &f;
    };
  }
};

inline Plan PlanTargets(const Stack& stack, const std::vector<Target>& targets, const Disk& disk = {},
                        const EpochOf& epochs = {}) {
  const auto faults = Validate(stack);
  for (const StackError& e : faults) ADD_FAILURE() << e.path() << ": " << e.message();
  if (!faults.empty()) return {};
  const PlateFiles files = *FindPlateFiles(stack, targets, disk.Exists());
  return *BuildPlan(stack, targets, files, disk.Facts(), {.epochs = epochs});
}

inline Plan PlanAll(const Stack& stack, const Disk& disk = {}, const EpochOf& epochs = {}) {
  return PlanTargets(stack, DeliverableTargets(stack), disk, epochs);
}
inline Plan PlanAll(const std::string& text, const Disk& disk = {}, const EpochOf& epochs = {}) {
  return PlanAll(ParseStack(text), disk, epochs);
}

// Task of a pass at a frame; of a pass of several segments, its last one.
inline const PlannedTask* FindTask(const Plan& plan, const std::string& pass, int32_t frame, int segment = -1) {
  const PlannedTask* found = nullptr;
  for (const PlannedTask& t : plan.tasks) {
    if (t.pass != pass || t.frame != frame) continue;
    if (segment >= 0 ? t.segment == static_cast<uint32_t>(segment) : found == nullptr || t.segment > found->segment) {
      found = &t;
    }
  }
  return found;
}

inline ResultKey KeyAt(const Plan& plan, const std::string& pass, int32_t frame, int segment = -1) {
  const PlannedTask* t = FindTask(plan, pass, frame, segment);
  EXPECT_NE(t, nullptr) << pass << " at " << frame;
  return t == nullptr ? ResultKey{} : t->key;
}

}  // namespace selvage::plan
