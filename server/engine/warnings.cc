#include "server/engine/warnings.h"

#include <algorithm>

namespace selvage {
namespace {

constexpr size_t kMostOwn = 10, kMostInAll = 30, kLongest = 500, kMostLines = 50;

bool Same(const Warning& a, const Warning& b) {
  return a.frame() == b.frame() && a.pass() == b.pass() && a.text() == b.text();
}

}  // namespace

std::vector<Warning> WarningsOf(const plan::PlannedTask& task, const std::vector<std::string>& own,
                                const std::vector<Warning>& of_inputs) {
  std::vector<Warning> all;
  const auto add = [&](const Warning& r) {
    const bool known = std::any_of(all.begin(), all.end(), [&](const Warning& other) { return Same(other, r); });
    if (!known && all.size() < kMostInAll) all.push_back(r);
  };
  for (size_t i = 0; i < std::min(own.size(), kMostOwn); ++i) {
    Warning r;
    r.set_pass(task.pass);
    r.set_frame(task.frame);
    r.set_text(own[i].substr(0, kLongest));
    add(r);
  }
  for (Warning r : of_inputs) {
    r.set_inherited(true);
    add(r);
  }
  return all;
}

std::vector<std::string> OwnTexts(const std::vector<Warning>& warnings) {
  std::vector<std::string> texts;
  for (const Warning& r : warnings) {
    if (!r.inherited()) texts.push_back(r.text());
  }
  return texts;
}

std::vector<Warning> AsNamedBy(const plan::PlannedTask& task, std::vector<Warning> warnings) {
  for (Warning& r : warnings) {
    if (r.inherited()) continue;
    r.set_pass(task.pass);
    r.set_frame(task.frame);
  }
  return warnings;
}

void JobWarnings::Add(const std::vector<Warning>& warnings) {
  for (const Warning& r : warnings) {
    const auto place = std::pair(r.pass(), r.text());
    if (frames_.size() < kMostLines || frames_.count(place) > 0) frames_[place].insert(r.frame());
  }
}

void JobWarnings::AddTo(JobProgress* progress) const {
  for (const auto& [place, frames] : frames_) {
    JobWarning* line = progress->add_warning();
    line->set_pass(place.first);
    line->set_text(place.second);
    line->mutable_frame()->Add(frames.begin(), frames.end());
  }
}

}  // namespace selvage
