#include "server/engine/known_stacks.h"

#include <algorithm>
#include <utility>

#include "proto/state.pb.h"
#include "proto/status.h"
#include "server/engine/state_format.h"

namespace selvage {
namespace {

// A note of use is not written again before this.
constexpr int64_t kUsedLately = 60'000;
// Collecting begins when so many more are known, and goes down to the bound.
constexpr size_t kSlack = 20;
constexpr size_t kAtOnce = 1024;
// Notes of damaged results that were not rendered since; nobody may ever ask.
constexpr size_t kMostDamaged = 10'000;

}  // namespace

absl::Status KnownStacks::Load() {
  ResultIndex& index = *tools_->cache.index;
  ASSIGN_OR_RETURN(const auto stacks, index.ListStacks());
  for (const std::string& stack : stacks) used_[stack] = 0;
  ASSIGN_OR_RETURN(const auto rows, index.ListValues(state::kStackPrefix));
  for (const auto& [name, value] : rows) {
    KnownStackRow row;
    (void)row.ParseFromString(value);
    used_[state::After(state::kStackPrefix, name)] = row.used_unix_ms();
  }
  ASSIGN_OR_RETURN(const auto savings, index.ListValues(state::kSavingsPrefix));
  for (const auto& [name, value] : savings) {
    const std::string stack = state::After(state::kSavingsPrefix, name);
    used_.try_emplace(stack, 0);
    // Counted for people only: what cannot be read begins at nothing.
    (void)savings_[stack].ParseFromString(value);
  }
  return absl::OkStatus();
}

void KnownStacks::Use(const std::string& stack, IndexBatch* batch) {
  int64_t& used = used_[stack];
  const int64_t now = tools_->UnixNow();
  if (now - used < kUsedLately) return;
  used = now;
  KnownStackRow row;
  row.set_used_unix_ms(now);
  batch->values.emplace_back(state::KnownStackName(stack), row.SerializeAsString());
}

Savings KnownStacks::SavingsOf(const std::string& stack) const {
  const auto it = savings_.find(stack);
  return it == savings_.end() ? Savings() : it->second;
}

void KnownStacks::AddSavings(const JobProgress& job, IndexBatch* batch) {
  Use(job.stack_name(), batch);
  Savings& savings = savings_[job.stack_name()];
  std::map<std::string, Savings::PassLine*> lines;
  for (Savings::PassLine& line : *savings.mutable_pass()) lines[line.pass()] = &line;
  for (const PassProgress& p : job.pass()) {
    // Reading plates is not rendering.
    if (p.pass().starts_with("plate ")) continue;
    Savings::PassLine*& line = lines[p.pass()];
    if (line == nullptr) {
      line = savings.add_pass();
      line->set_pass(p.pass());
    }
    line->set_rendered(line->rendered() + p.rendered());
    line->set_render_seconds(line->render_seconds() + p.mean_seconds() * static_cast<double>(p.rendered()));
    if (line->rendered() == 0) continue;
    const double mean = line->render_seconds() / static_cast<double>(line->rendered());
    line->set_saved_seconds(line->saved_seconds() + mean * static_cast<double>(p.reused()));
  }
  ForgetFormerPasses(job, &savings);
  batch->values.emplace_back(state::SavingsName(job.stack_name()), savings.SerializeAsString());
}

// All at once when there are too many: which of them somebody may take up again is not known.
void KnownStacks::ForgetFormerPasses(const JobProgress& job, Savings* savings) {
  std::set<std::string> now, former;
  for (const PassProgress& p : job.pass()) now.insert(p.pass());
  for (const Savings::PassLine& line : savings->pass()) {
    if (!now.contains(line.pass())) former.insert(line.pass());
  }
  if (former.size() <= tools_->options.former_passes) return;
  auto* lines = savings->mutable_pass();
  lines->erase(std::remove_if(lines->begin(), lines->end(), [&](const auto& l) { return former.contains(l.pass()); }),
               lines->end());
  tools_->pool->Post([this, stack = job.stack_name(), former] {
    for (const std::string& pass : former) (void)ForgetNames(stack, pass);
  });
}

void KnownStacks::Collect(const std::set<std::string>& live) {
  const size_t bound = tools_->options.known_stacks;
  if (used_.size() <= bound + std::min(kSlack, bound)) return;
  std::vector<std::pair<int64_t, std::string>> oldest;
  for (const auto& [stack, used] : used_) {
    if (!live.contains(stack) && !keeps_->KeepsAny(stack)) oldest.emplace_back(used, stack);
  }
  std::sort(oldest.begin(), oldest.end());
  oldest.resize(std::min(oldest.size(), used_.size() - bound));
  for (const auto& [used, stack] : oldest) {
    used_.erase(stack);
    savings_.erase(stack);
    IndexBatch batch;
    versions_->Forget(stack, &batch);
    if (!batch.values.empty()) commits_->AddSometime(std::move(batch));
    tools_->pool->Post([this, stack = stack] { Forget(stack); });
  }
  tools_->pool->Post([this] { ForgetDamaged(); });
}

bool KnownStacks::ForgetNames(const std::string& stack, const std::string& pass) {
  auto names = tools_->cache.index->FindNames(stack, pass);
  if (!names.ok()) return false;
  for (size_t at = 0; at < names->size(); at += kAtOnce) {
    IndexBatch batch;
    for (size_t i = at; i < std::min(at + kAtOnce, names->size()); ++i) {
      batch.values.emplace_back(state::IngredientsName((*names)[i]), "");
      batch.forget_names.push_back(std::move((*names)[i]));
    }
    commits_->AddSometime(std::move(batch));
  }
  return true;
}

void KnownStacks::Forget(const std::string& stack) {
  ResultIndex& index = *tools_->cache.index;
  const auto looked = index.ListValues(state::LookedPrefix(stack));
  const auto written = index.ListValues(state::WrittenPrefixOf(stack));
  // What cannot be read is looked at again with the next start.
  if (!looked.ok() || !written.ok() || !ForgetNames(stack, "")) return;
  IndexBatch batch;
  for (const auto* rows : {&*looked, &*written}) {
    for (const auto& [name, value] : *rows) batch.values.emplace_back(name, "");
  }
  batch.values.emplace_back(state::SavingsName(stack), "");
  batch.values.emplace_back(state::KnownStackName(stack), "");
  commits_->AddSometime(std::move(batch));
}

void KnownStacks::ForgetDamaged() {
  const auto rows = tools_->cache.index->ListValues(state::kDamagedPrefix);
  if (!rows.ok() || rows->size() <= kMostDamaged) return;
  IndexBatch batch;
  for (size_t i = kMostDamaged; i < rows->size(); ++i) batch.values.emplace_back((*rows)[i].first, "");
  commits_->AddSometime(std::move(batch));
}

}  // namespace selvage
