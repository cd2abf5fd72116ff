#include "server/engine/find_files.h"

#include <optional>
#include <set>
#include <utility>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "server/engine/state_format.h"

namespace selvage {
namespace {

constexpr size_t kMaxErrors = 50;

void AddError(std::vector<StackError>* errors, const std::string& path, const std::string& message) {
  if (errors->size() >= kMaxErrors) return;
  StackError e;
  e.set_path(path);
  e.set_message(message);
  errors->push_back(std::move(e));
}

// Looks at each file once.
class FileStates {
 public:
  explicit FileStates(const Roots& roots) : roots_(roots) {}
  const absl::StatusOr<FileState>& Of(const std::string& path) {
    auto it = seen_.find(path);
    if (it == seen_.end()) it = seen_.emplace(path, roots_.Stat(path)).first;
    return it->second;
  }

 private:
  const Roots& roots_;
  std::map<std::string, absl::StatusOr<FileState>> seen_;
};

void AddFileErrors(const Stack& stack, const Roots& roots, FileStates* states, Round* round) {
  std::set<int> refused;
  for (const plan::PlateFile& f : round->files.files) {
    if (!absl::IsPermissionDenied(states->Of(f.path).status()) || !refused.insert(f.plate).second) continue;
    AddError(&round->errors, absl::StrCat("plate[", f.plate, "].files"),
             absl::StrCat("plate \"", stack.plate(f.plate).name(), "\": \"", f.path,
                          "\" is outside the folders that the daemon may read; its --root folders: ", roots.Names()));
  }
  for (const StackError& e : round->files.errors) AddError(&round->errors, e.path(), e.message());
}

absl::StatusOr<std::optional<PlateFacts>> Remembered(const std::string& path, ResultIndex& index) {
  ASSIGN_OR_RETURN(const std::optional<std::string> value, index.FindValue(state::FactsName(path)));
  PlateFacts facts;
  if (!value || !facts.ParseFromString(*value) || !facts.has_metadata()) return std::nullopt;
  return facts;
}

absl::Status FindFacts(const Facts& known, FileStates* states, ResultIndex& index, const GivenUp& given_up,
                       Round* round) {
  std::set<std::string> asked;
  for (const plan::PlateFile& f : round->files.files) {
    if (!asked.insert(f.path).second) continue;
    if (given_up()) return absl::CancelledError("cancelled: the client does not wait any longer");
    const auto& state = states->Of(f.path);
    if (!state.ok()) continue;
    if (const auto fresh = known.find(f.path); fresh != known.end() && SameFile(fresh->second, *state)) {
      round->facts[f.path] = fresh->second;
      continue;
    }
    ASSIGN_OR_RETURN(auto facts, Remembered(f.path, index));
    if (facts && SameFile(*facts, *state)) {
      round->facts[f.path] = *std::move(facts);
    } else {
      round->uninspected.push_back({f, *state});
    }
  }
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<std::shared_ptr<const Round>> FindFiles(std::shared_ptr<const Stack> stack, const ChooseTargets& choose,
                                                       const Roots& roots, const Facts& known, ResultIndex& index,
                                                       const GivenUp& given_up, const plan::Limits& limits) {
  auto round = std::make_shared<Round>();
  round->stack = std::move(stack);
  round->errors = plan::Validate(*round->stack);
  if (!round->errors.empty()) return round;
  if (choose) {
    ASSIGN_OR_RETURN(round->targets, choose(*round->stack));
  } else if (auto error = plan::TooCostly(plan::PriceOf(*round->stack, {}), limits)) {
    // Known before any frame of it is listed.
    round->errors.push_back(*std::move(error));
    return round;
  } else {
    round->targets = plan::DeliverableTargets(*round->stack);
  }

  FileStates states(roots);
  const auto exists = [&](const std::string& path) {
    // One that we may not read "exists", so that the reason given is the right one.
    const auto& state = states.Of(path);
    return state.ok() || absl::IsPermissionDenied(state.status());
  };
  ASSIGN_OR_RETURN(round->files, plan::FindPlateFiles(*round->stack, round->targets, exists, limits, given_up));
  AddFileErrors(*round->stack, roots, &states, round.get());
  if (!round->errors.empty()) return round;
  RETURN_IF_ERROR(FindFacts(known, &states, index, given_up, round.get()));
  return round;
}

std::shared_ptr<const Round> WithFacts(const Round& round, const Facts& inspected) {
  auto next = std::make_shared<Round>(round);
  next->uninspected.clear();
  for (const Uninspected& u : round.uninspected) {
    const auto facts = inspected.find(u.file.path);
    if (facts != inspected.end()) next->facts[u.file.path] = facts->second;
  }
  return next;
}

bool SameFile(const PlateFacts& f, const FileState& s) {
  return f.size() == s.size && f.mtime_ns() == s.mtime_ns && f.inode() == s.inode;
}

bool WorthRemembering(const PlateFacts& facts, int64_t now_unix_ns) {
  // Clocks of file systems tick every 10 ms at worst, some only every 2 s.
  const bool coarse = facts.mtime_ns() % 1'000'000'000 == 0;
  return now_unix_ns - facts.mtime_ns() > (coarse ? 2'000'000'000 : 50'000'000);
}

ResultKey InspectionKey(const std::string& path, const FileState& s) {
  return {Sha256(absl::StrCat("selvage inspection\n", s.size, " ", s.mtime_ns, " ", s.inode, " ", path))};
}

}  // namespace selvage
