#include "server/plan/validate_pass.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "proto/frame_pattern.h"
#include "server/plan/values_check.h"

namespace selvage::plan {
namespace {

// Longer cycles are told by their beginning.
constexpr size_t kCycleNames = 8;

Place PlaceOf(const Stack& stack, int pass) {
  const std::string& name = stack.pass(pass).name();
  return {absl::StrCat("pass[", pass, "]"),
          name.empty() ? absl::StrCat("pass ", pass + 1) : absl::StrCat("pass ", Quoted(name))};
}

}  // namespace

PassCheck::PassCheck(const Stack& stack, const NameTable& names, const Limits& limits, Faults* faults)
    : stack_(stack), names_(names), limits_(limits), faults_(faults), still_(stack.pass_size(), false) {
  order_ = OrderPasses(stack, names, AllPasses(stack));
  kinds_ = PassKinds(stack, names, order_);
  for (int i : order_.passes) {
    const std::vector<std::string> inputs = InputNames(stack.pass(i));
    still_[i] = std::all_of(inputs.begin(), inputs.end(), [&](const std::string& name) { return IsStill(name); });
  }
}

bool PassCheck::IsStill(const std::string& name) const {
  const NameRef ref = names_.Find(name);
  switch (ref.type) {
    case NameRef::kPlate: {
      const auto pattern = ParsePattern(stack_.plate(ref.index).files());
      return pattern.ok() && pattern->still();
    }
    case NameRef::kPass:
      return still_[ref.index];
    default:
      // Masks may move; and of what is not there nothing can be said.
      return false;
  }
}

Kind PassCheck::CheckName(const Place& at, const std::string& name) const {
  const NameRef ref = names_.Find(name);
  if (ref.type == NameRef::kNone) {
    faults_->Add(at.path, absl::StrCat(at.words, ": ", names_.Unknown(name)));
    return KIND_UNSPECIFIED;
  }
  return KindOf(stack_, kinds_, ref);
}

void PassCheck::CheckCycle(int pass) const {
  for (const std::vector<int>& cycle : order_.cycles) {
    if (cycle.front() != pass) continue;
    std::string chain = stack_.pass(pass).name();
    for (size_t i = 0; i < cycle.size(); ++i) {
      const bool last = i + 1 == cycle.size();
      if (i > kCycleNames && !last) continue;
      absl::StrAppend(&chain, i == kCycleNames && !last ? " -> ..." : Reads(cycle[i], last ? pass : cycle[i + 1]));
    }
    const Place at = PlaceOf(stack_, pass);
    faults_->Add(at.path, absl::StrCat(at.words, ": depends on itself: ", chain));
  }
}

// " -> core", or over a mask that follows it: " -> boots -> core".
std::string PassCheck::Reads(int pass, int next) const {
  const std::string& name_of_next = stack_.pass(next).name();
  std::string over_mask;
  for (const std::string& name : InputNames(stack_.pass(pass))) {
    const NameRef ref = names_.Find(name);
    if (ref.type == NameRef::kPass && ref.index == next) return absl::StrCat(" -> ", name);
    if (over_mask.empty() && PassBehind(stack_, names_, name) == next) over_mask = name;
  }
  return absl::StrCat(" -> ", over_mask, " -> ", name_of_next);
}

void PassCheck::CheckSide(const Place& at, const ParamTraits& traits, const std::string& name) const {
  if (name.empty()) {
    faults_->Add(at.path, absl::StrCat(at.words, ": missing, name ", InputsInWords(traits.input())));
    return;
  }
  const Kind kind = CheckName(at, name);
  if (kind == KIND_UNSPECIFIED || TakenAs(traits.input(), kind) != KIND_UNSPECIFIED) return;
  faults_->Add(at.path, absl::StrCat(at.words, ": ", Quoted(name), " ", KindMisfit(traits.input(), kind)));
}

void PassCheck::CheckMainKind(const Place& at, int pass, int step, Kind kind) const {
  const Pass& p = stack_.pass(pass);
  const OpTraits& traits = OperatorOf(p.step(step))->traits;
  if (kind == KIND_UNSPECIFIED || TakenAs(traits.takes(), kind) != KIND_UNSPECIFIED) return;
  const std::string from =
      step == 0 ? Quoted(p.from()) : absl::StrCat("step ", step, " (", OperatorOf(p.step(step - 1))->name, ")");
  faults_->Add(at.path,
               absl::StrCat(at.words, ": needs ", KindsInWords(traits.takes()), ", but ", from, " gives ",
                            kind == MATTE ? "a " : "", KindName(kind), "; ", KindAdvice(traits.takes(), kind)));
}

// `with` replaces the step before in part: both must be the same.
void PassCheck::CheckPatch(const Place& at, const Step& step, Kind main) const {
  const NameRef ref = names_.Find(step.patch().with());
  const Kind with = KindOf(stack_, kinds_, ref);
  if (main == KIND_UNSPECIFIED || with == KIND_UNSPECIFIED || with == main) return;
  if (with == OPAQUE && main != MATTE) return;
  const Place here = at.Field("with");
  google::protobuf::RepeatedField<int> takes;
  takes.Add(main);
  faults_->Add(here.path, absl::StrCat(here.words, ": ", Quoted(step.patch().with()), " is ", with == MATTE ? "a " : "",
                                       KindName(with), ", but the step before gives ", main == MATTE ? "a " : "",
                                       KindName(main), "; ", KindAdvice(takes, with)));
}

void PassCheck::CheckStep(int pass, int index, Kind* kind, bool* still) const {
  const Pass& p = stack_.pass(pass);
  const Step& step = p.step(index);
  const Operator* op = OperatorOf(step);
  const Place pass_at = PlaceOf(stack_, pass);
  Place at{absl::StrCat(pass_at.path, ".step[", index, "]"), absl::StrCat(pass_at.words, " step ", index + 1)};
  if (op == nullptr) {
    faults_->Add(at.path, absl::StrCat(at.words, ": is empty, it needs an operator such as `levels { }`"));
    *kind = KIND_UNSPECIFIED;
    return;
  }
  at = {absl::StrCat(at.path, ".", op->name), absl::StrCat(at.words, " (", op->name, ")")};
  if (op->traits.internal()) {
    faults_->Add(at.path, absl::StrCat(at.words, ": internal step, cannot be used in a stack"));
    *kind = KIND_UNSPECIFIED;
    return;
  }
  const bool source = op->traits.takes().empty();
  if (source && (index > 0 || !p.from().empty())) {
    faults_->Add(at.path, absl::StrCat(at.words, ": can only be the first step of a pass without `from`"));
  } else if (!source) {
    CheckMainKind(at, pass, index, *kind);
  }
  CheckValues(
      at, stack_, ParamsOf(step),
      [this](const Place& here, const ParamTraits& traits, const std::string& name) { CheckSide(here, traits, name); },
      faults_);
  CheckMeaning(at, step, faults_);
  if (step.has_patch()) CheckPatch(at, step, *kind);
  const int window = WindowOf(ParamsOf(step));
  if (*still && window > 0) {
    faults_->Add(at.path + ".window",
                 absl::StrCat(at.words,
                              " window: a still has no neighbouring frames: set `window: 0`, or write %04d in "
                              "the `files` of the plate"));
  }
  for (const Port& port : PortsOf(ParamsOf(step))) {
    if (!(port.traits.windowed() || port.traits.motion()) || window == 0 || !IsStill(port.name)) continue;
    faults_->Add(absl::StrCat(at.path, ".", port.path), absl::StrCat(at.words, " ", port.path, ": ", Quoted(port.name),
                                                                     " is a still, it has no neighbouring frames: ",
                                                                     "set `window: 0`, or write %04d in its `files`"));
  }
  for (const Port& port : PortsOf(ParamsOf(step))) *still = *still && (port.name.empty() || IsStill(port.name));
  *kind = KindAfter(step, *kind);
}

void PassCheck::Check(int index) {
  const Pass& pass = stack_.pass(index);
  const Place at = PlaceOf(stack_, index);
  CheckCycle(index);
  if (pass.step_size() > limits_.steps_per_pass) {
    faults_->Add(at.path,
                 absl::StrCat(at.words, ": has ", pass.step_size(), " steps, allowed ", limits_.steps_per_pass));
    return;
  }
  Kind kind = KIND_UNSPECIFIED;
  bool still = pass.from().empty();
  if (!pass.from().empty()) {
    kind = CheckName(at.Field("from"), pass.from());
    still = IsStill(pass.from());
  } else {
    const Operator* first = pass.step_size() > 0 ? OperatorOf(pass.step(0)) : nullptr;
    if (pass.step_size() == 0 || (first != nullptr && !first->traits.takes().empty())) {
      faults_->Add(at.path,
                   absl::StrCat(at.words, ": starts from nothing: set `from`, or begin with a step such as `flood`"));
      return;
    }
  }
  for (int s = 0; s < pass.step_size() && !faults_->full(); ++s) CheckStep(index, s, &kind, &still);
}

}  // namespace selvage::plan
