#include "server/engine/measured.h"

#include <algorithm>
#include <cmath>
#include <set>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"

namespace selvage {
namespace {

// Kinds that are remembered; those that were not rendered for longest go first.
constexpr size_t kKinds = 4096;
// The mean follows what has changed since: about so many tasks count.
constexpr uint32_t kCounted = 64;
constexpr size_t kNamedSteps = 10;
// Beyond these something else was measured: a machine that slept, a job that waited.
constexpr double kLeastOverhead = 0.5, kMostOverhead = 4;

std::string OperatorsOf(const plan::PlannedTask& task) {
  std::string names;
  const auto steps = task.steps.Get();
  for (const Step& step : *steps) {
    const Operator* op = OperatorOf(step);
    absl::StrAppend(&names, names.empty() ? "" : ",", op == nullptr ? "step" : op->name);
  }
  return names.empty() ? "copy" : names;
}

std::string WhatOf(std::string what, const plan::PlannedTask& task, bool stored) {
  int results = 0, plates = 0, masks = 0;
  for (const plan::PlannedInput& in : task.inputs) {
    results += in.result.has_value();
    plates += in.plate != nullptr;
    masks += static_cast<bool>(in.mask);
  }
  if (results > 0) absl::StrAppend(&what, "; ", results, " results");
  if (plates > 0) absl::StrAppend(&what, "; ", plates, " plates");
  if (masks > 0) absl::StrAppend(&what, "; ", masks, " masks");
  return stored ? what + "; stored" : what;
}

}  // namespace

std::string WhatOf(const plan::PlannedTask& task, bool stored) { return WhatOf(OperatorsOf(task), task, stored); }

std::string StepOf(const plan::PlannedTask& task) { return task.steps.Get()->size() > 1 ? "chain" : OperatorsOf(task); }

std::string HostOf(const std::string& worker_name) { return worker_name.substr(0, worker_name.find(':')); }

Estimate EstimateOf(const Workload& workload, const std::map<std::string, uint32_t>& slots) {
  Estimate estimate;
  estimate.set_tasks(workload.tasks);
  estimate.set_unmeasured(workload.unmeasured);
  for (const std::string& step : workload.unmeasured_steps) estimate.add_unmeasured_step(step);
  estimate.set_other_size(workload.other_size);
  // Share of the work that all of them do in a second.
  double rate = 0;
  for (const auto& [host, count] : slots) {
    estimate.set_slots(estimate.slots() + count);
    const auto known = workload.by_host.find(host);
    const double all = known == workload.by_host.end() ? workload.anywhere : known->second;
    if (all > 0) rate += count / all;
  }
  if (workload.tasks == 0) {
    estimate.set_seconds(0);
  } else if (workload.unmeasured < workload.tasks && rate > 0) {
    estimate.set_seconds(std::max(workload.overhead / rate, workload.longest_row));
  }
  return estimate;
}

void Measured::Add(const std::string& what, const std::string& host, const Format& format, double seconds) {
  if (!std::isfinite(seconds) || seconds < 0) return;
  MutexLock lock(&mutex_);
  Mean& mean = kinds_[{what, host, format.width(), format.height()}];
  const double before = std::min(mean.count, kCounted - 1);
  mean.seconds = (mean.seconds * before + seconds) / (before + 1);
  mean.count = std::min(mean.count + 1, kCounted);
  mean.used = ++uses_;
  if (kinds_.size() <= kKinds) return;
  kinds_.erase(std::min_element(kinds_.begin(), kinds_.end(),
                                [](const auto& a, const auto& b) { return a.second.used < b.second.used; }));
}

void Measured::AddOverhead(double factor) {
  if (!(factor >= kLeastOverhead && factor <= kMostOverhead)) return;
  MutexLock lock(&mutex_);
  overhead_ = overhead_ == 0 ? factor : (overhead_ + factor) / 2;
}

Measured::Cost Measured::CostOf(const std::string& what, const Format& format) const {
  Cost cost;
  const double pixels = static_cast<double>(format.width()) * format.height();
  // The size that is nearest, for each machine.
  std::map<std::string, std::pair<double, const Mean*>> nearest;
  std::map<std::string, double> pixels_of;
  for (auto it = kinds_.lower_bound({what, "", 0, 0}); it != kinds_.end() && std::get<0>(it->first) == what; ++it) {
    const auto& [same, host, width, height] = it->first;
    const double its = std::max(1.0, static_cast<double>(width) * height);
    const double far = std::abs(std::log(its / std::max(1.0, pixels)));
    const auto [known, is_new] = nearest.try_emplace(host, far, &it->second);
    if (!is_new && known->second.first <= far) continue;
    known->second = {far, &it->second};
    pixels_of[host] = its;
  }
  double sum = 0, count = 0;
  for (const auto& [host, near] : nearest) {
    const double its = pixels_of.contains(host) ? pixels_of[host] : pixels;
    const double seconds = near.second->seconds * pixels / its;
    cost.by_host[host] = seconds;
    cost.other_size |= its != pixels;
    sum += seconds * near.second->count;
    count += near.second->count;
  }
  cost.known = count > 0;
  cost.anywhere = count > 0 ? sum / count : 0;
  return cost;
}

Measured::Cost Measured::CostOfKin(const std::string& operators, const Format& format) const {
  Cost mean;
  std::map<std::string, double> count;
  double kinds = 0;
  for (auto it = kinds_.lower_bound({operators, "", 0, 0}); it != kinds_.end();) {
    const std::string what = std::get<0>(it->first);
    if (!what.starts_with(operators)) break;
    while (it != kinds_.end() && std::get<0>(it->first) == what) ++it;
    // Not only the beginning of a longer row of operators.
    if (what.size() > operators.size() && what[operators.size()] != ';') continue;
    const Cost cost = CostOf(what, format);
    mean.known = true;
    mean.other_size |= cost.other_size;
    mean.anywhere += cost.anywhere;
    ++kinds;
    for (const auto& [host, seconds] : cost.by_host) {
      mean.by_host[host] += seconds;
      ++count[host];
    }
  }
  if (kinds > 0) mean.anywhere /= kinds;
  for (auto& [host, seconds] : mean.by_host) seconds /= count[host];
  return mean;
}

Workload Measured::Of(const plan::Plan& plan, const std::vector<uint8_t>& renders,
                      const std::vector<uint8_t>& stored) const {
  MutexLock lock(&mutex_);
  Workload all;
  if (overhead_ > 0) all.overhead = overhead_;
  std::set<std::string> hosts, steps;
  for (const auto& [kind, mean] : kinds_) hosts.insert(std::get<1>(kind));
  for (const std::string& host : hosts) all.by_host[host] = 0;
  absl::flat_hash_map<std::string, Cost> costs;
  absl::flat_hash_map<ResultKey, double, DigestHash> row_to;
  std::map<std::string, uint64_t> tasks_of;
  // The same at all frames of a segment, and not cheap to work out.
  std::map<std::pair<std::string, uint32_t>, std::string> operators;
  for (size_t i = 0; i < plan.tasks.size(); ++i) {
    if (!renders[i]) continue;
    const plan::PlannedTask& task = plan.tasks[i];
    std::string& names = operators[{task.pass, task.segment}];
    if (names.empty()) names = OperatorsOf(task);
    const std::string what = WhatOf(names, task, stored[i] != 0);
    auto [known, is_new] = costs.try_emplace(what);
    if (is_new) known->second = CostOf(what, plan.format);
    if (is_new && !known->second.known) known->second = CostOfKin(names, plan.format);
    const Cost& cost = known->second;
    ++all.tasks;
    if (!cost.known) {
      ++all.unmeasured;
      steps.insert(names);
    }
    all.other_size |= cost.other_size;
    all.anywhere += cost.anywhere;
    for (auto& [host, seconds] : all.by_host) {
      const auto here = cost.by_host.find(host);
      seconds += here == cost.by_host.end() ? cost.anywhere : here->second;
    }
    all.of_pass[task.pass] += cost.anywhere;
    ++tasks_of[task.pass];
    double before = 0;
    for (const plan::PlannedInput& in : task.inputs) {
      const auto row = in.result ? row_to.find(*in.result) : row_to.end();
      if (row != row_to.end()) before = std::max(before, row->second);
    }
    all.longest_row = std::max(all.longest_row, row_to[task.key] = before + cost.anywhere);
  }
  for (auto& [pass, seconds] : all.of_pass) seconds /= static_cast<double>(tasks_of[pass]);
  for (const std::string& step : steps) {
    if (all.unmeasured_steps.size() < kNamedSteps) all.unmeasured_steps.push_back(step);
  }
  return all;
}

void Measured::Load(const MeasuredRow& row) {
  MutexLock lock(&mutex_);
  for (auto line = row.line().rbegin(); line != row.line().rend(); ++line) {
    kinds_[{line->what(), line->host(), line->width(), line->height()}] = {line->seconds(), line->count(), ++uses_};
  }
  overhead_ = row.overhead();
}

MeasuredRow Measured::Row() const {
  MutexLock lock(&mutex_);
  std::vector<std::pair<const Kind*, const Mean*>> newest;
  for (const auto& [kind, mean] : kinds_) newest.emplace_back(&kind, &mean);
  std::sort(newest.begin(), newest.end(), [](const auto& a, const auto& b) { return a.second->used > b.second->used; });
  MeasuredRow row;
  row.set_overhead(overhead_);
  for (const auto& [kind, mean] : newest) {
    MeasuredRow::Line* line = row.add_line();
    line->set_what(std::get<0>(*kind));
    line->set_host(std::get<1>(*kind));
    line->set_width(std::get<2>(*kind));
    line->set_height(std::get<3>(*kind));
    line->set_seconds(mean->seconds);
    line->set_count(mean->count);
  }
  return row;
}

}  // namespace selvage
