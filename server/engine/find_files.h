// The first step of every request: is the stack sound, which files does it need,
// and what is known of them?
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "cache/result_index.h"
#include "server/engine/roots.h"
#include "server/plan/plan.h"

namespace selvage {

// A plate file whose digest nobody knows yet.
struct Uninspected {
  plan::PlateFile file;
  FileState state;
};

// Facts by path, and what the files looked like then.
using Facts = std::map<std::string, PlateFacts>;

// What one planning round is made from. Never changed once it is made, so that
// threads may share it: a later round gets a new one.
struct Round {
  std::shared_ptr<const Stack> stack;
  // Of the stack, at most 50. If there are any, the rest is empty.
  std::vector<StackError> errors;
  std::vector<plan::Target> targets;
  plan::PlateFiles files;
  Facts facts;
  std::vector<Uninspected> uninspected;
};

// What a request wants of a stack, if not all its deliverables. Called when the stack is
// known to be valid.
using ChooseTargets = std::function<absl::StatusOr<std::vector<plan::Target>>(const Stack& stack)>;
// Whether to give up: asked now and then.
using GivenUp = std::function<bool()>;

// Blocks. Everything that is wrong with a stack without reading plates, the files
// it needs, each looked at once, and remembered facts of those that have not
// changed since. `known`: facts that may not be remembered yet, used if the file
// is still as it was. Errors: CANCELLED; those of `choose` and of the index.
absl::StatusOr<std::shared_ptr<const Round>> FindFiles(std::shared_ptr<const Stack> stack, const ChooseTargets& choose,
                                                       const Roots& roots, const Facts& known, ResultIndex& index,
                                                       const GivenUp& given_up, const plan::Limits& limits);

// The same round with the facts of all files that were not inspected before.
std::shared_ptr<const Round> WithFacts(const Round& round, const Facts& inspected);

bool SameFile(const PlateFacts& facts, const FileState& state);
// A file changed so recently that a further change could leave the same time
// behind must be read again next time.
bool WorthRemembering(const PlateFacts& facts, int64_t now_unix_ns);

// Identity of an inspection: jobs that need the same file share it.
ResultKey InspectionKey(const std::string& path, const FileState& state);

}  // namespace selvage
