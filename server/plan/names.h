// What the names in a stack stand for, and in which order passes build on each
// other.
#pragma once

#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "proto/stack.pb.h"

namespace selvage::plan {

struct NameRef {
  // No smaller: padding would look like an uninitialised value to memory checkers.
  enum Type : int32_t { kNone, kPlate, kMask, kPass };
  Type type = kNone;
  int index = -1;
};

// Plates, masks and passes share one set of names; of two equal ones the first
// counts.
class NameTable {
 public:
  explicit NameTable(const Stack& stack);
  NameRef Find(const std::string& name) const;
  // `there is no plate, mask or pass "boot"; did you mean "boots"?`
  std::string Unknown(const std::string& name) const;

 private:
  absl::flat_hash_map<std::string, NameRef> by_name_;
};

// Names that a pass reads: `from`, then those of its steps, in order.
std::vector<std::string> InputNames(const Pass& pass);

// The pass that has to be there first for a name: itself, or of a mask that
// follows a pass that one; -1 if none.
int PassBehind(const Stack& stack, const NameTable& names, const std::string& name);

// As messages call what tasks are made for: `pass "core"`, `mask "boots"`.
std::string PassInWords(const std::string& pass);

struct PassOrder {
  // Passes that the roots need (all passes if none are given), inputs before
  // their users.
  std::vector<int> passes;
  // Passes that need themselves: each cycle once (of many, the first 50), each
  // pass before the one that it reads, the lowest index first.
  std::vector<std::vector<int>> cycles;
};
PassOrder OrderPasses(const Stack& stack, const NameTable& names, const std::vector<int>& roots);
std::vector<int> AllPasses(const Stack& stack);

// Kind of each pass, KIND_UNSPECIFIED where it is not needed or cannot be told
// because something is wrong.
std::vector<Kind> PassKinds(const Stack& stack, const NameTable& names, const PassOrder& order);
Kind KindOf(const Stack& stack, const std::vector<Kind>& pass_kinds, NameRef ref);

}  // namespace selvage::plan
