#include "server/remarks.h"

#include <algorithm>

namespace selvage {
namespace {

constexpr size_t kMostOwn = 10, kMostInAll = 30, kLongest = 500, kMostLines = 50;

bool Same(const Remark& a, const Remark& b) {
  return a.frame() == b.frame() && a.pass() == b.pass() && a.text() == b.text();
}

}  // namespace

std::vector<Remark> RemarksOf(const PlannedTask& task, const std::vector<std::string>& own,
                              const std::vector<Remark>& of_inputs) {
  std::vector<Remark> all;
  const auto add = [&](const Remark& r) {
    const bool known = std::any_of(all.begin(), all.end(), [&](const Remark& other) { return Same(other, r); });
    if (!known && all.size() < kMostInAll) all.push_back(r);
  };
  for (size_t i = 0; i < std::min(own.size(), kMostOwn); ++i) {
    Remark r;
    r.set_pass(task.pass);
    r.set_frame(task.frame);
    r.set_text(own[i].substr(0, kLongest));
    add(r);
  }
  for (Remark r : of_inputs) {
    r.set_inherited(true);
    add(r);
  }
  return all;
}

std::vector<std::string> OwnTexts(const std::vector<Remark>& remarks) {
  std::vector<std::string> texts;
  for (const Remark& r : remarks) {
    if (!r.inherited()) texts.push_back(r.text());
  }
  return texts;
}

std::vector<Remark> AsNamedBy(const PlannedTask& task, std::vector<Remark> remarks) {
  for (Remark& r : remarks) {
    if (r.inherited()) continue;
    r.set_pass(task.pass);
    r.set_frame(task.frame);
  }
  return remarks;
}

void JobRemarks::Add(const std::vector<Remark>& remarks) {
  for (const Remark& r : remarks) {
    const auto place = std::pair(r.pass(), r.text());
    if (frames_.size() < kMostLines || frames_.count(place) > 0) frames_[place].insert(r.frame());
  }
}

void JobRemarks::AddTo(JobProgress* progress) const {
  for (const auto& [place, frames] : frames_) {
    JobRemark* line = progress->add_remark();
    line->set_pass(place.first);
    line->set_text(place.second);
    line->mutable_frame()->Add(frames.begin(), frames.end());
  }
}

}  // namespace selvage
