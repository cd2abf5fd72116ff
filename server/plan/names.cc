#include "server/plan/names.h"

#include <algorithm>
#include <numeric>

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"

namespace selvage::plan {
namespace {

// More are no help to anybody, and there can be very many.
constexpr size_t kMaxCycles = 50;

}  // namespace

NameTable::NameTable(const Stack& stack) {
  for (int i = 0; i < stack.plate_size(); ++i) by_name_.try_emplace(stack.plate(i).name(), NameRef{NameRef::kPlate, i});
  for (int i = 0; i < stack.mask_size(); ++i) by_name_.try_emplace(stack.mask(i).name(), NameRef{NameRef::kMask, i});
  for (int i = 0; i < stack.pass_size(); ++i) by_name_.try_emplace(stack.pass(i).name(), NameRef{NameRef::kPass, i});
}

NameRef NameTable::Find(const std::string& name) const {
  auto it = by_name_.find(name);
  return it == by_name_.end() ? NameRef{} : it->second;
}

std::string NameTable::Unknown(const std::string& name) const {
  std::vector<std::string> all;
  for (const auto& [known, ref] : by_name_) all.push_back(known);
  // The table has no order of its own; of equally close names take the first.
  std::sort(all.begin(), all.end());
  const std::string closest = ClosestName(name, all);
  return absl::StrCat("there is no plate, mask or pass \"", name.substr(0, 64), "\"",
                      closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?"));
}

std::vector<std::string> InputNames(const Pass& pass) {
  std::vector<std::string> names;
  if (!pass.from().empty()) names.push_back(pass.from());
  for (const Step& step : pass.step()) {
    if (OperatorOf(step) == nullptr) continue;
    for (Port& port : PortsOf(ParamsOf(step))) {
      if (!port.name.empty()) names.push_back(std::move(port.name));
    }
  }
  return names;
}

int PassBehind(const Stack& stack, const NameTable& names, const std::string& name) {
  NameRef ref = names.Find(name);
  if (ref.type == NameRef::kMask) ref = names.Find(stack.mask(ref.index).follow().picture());
  return ref.type == NameRef::kPass ? ref.index : -1;
}

std::string PassInWords(const std::string& pass) {
  for (const std::string what : {"mask ", "motion ", "reduced "}) {
    if (pass.starts_with(what)) return absl::StrCat(what, "\"", pass.substr(what.size()), "\"");
  }
  return absl::StrCat("pass \"", pass, "\"");
}

std::vector<int> AllPasses(const Stack& stack) {
  std::vector<int> all(stack.pass_size());
  std::iota(all.begin(), all.end(), 0);
  return all;
}

// Depth first without recursion: a chain may be as long as a stack allows.
PassOrder OrderPasses(const Stack& stack, const NameTable& names, const std::vector<int>& roots) {
  enum Mark : uint8_t { kNew, kOpen, kDone };
  struct Visit {
    int pass;
    std::vector<int> inputs;
    size_t next = 0;
  };
  auto open = [&](int pass) {
    Visit v{pass, {}, 0};
    for (const std::string& name : InputNames(stack.pass(pass))) {
      if (const int behind = PassBehind(stack, names, name); behind >= 0) v.inputs.push_back(behind);
    }
    return v;
  };
  PassOrder order;
  std::vector<Mark> mark(stack.pass_size(), kNew);
  std::vector<Visit> path;
  for (int root : roots) {
    if (mark[root] != kNew) continue;
    mark[root] = kOpen;
    path.push_back(open(root));
    while (!path.empty()) {
      Visit& visit = path.back();
      if (visit.next == visit.inputs.size()) {
        mark[visit.pass] = kDone;
        order.passes.push_back(visit.pass);
        path.pop_back();
        continue;
      }
      const int input = visit.inputs[visit.next++];
      if (mark[input] == kNew) {
        mark[input] = kOpen;
        path.push_back(open(input));
      } else if (mark[input] == kOpen) {
        if (order.cycles.size() == kMaxCycles) continue;
        auto from = std::find_if(path.begin(), path.end(), [&](const Visit& v) { return v.pass == input; });
        auto& cycle = order.cycles.emplace_back();
        for (; from != path.end(); ++from) cycle.push_back(from->pass);
        std::rotate(cycle.begin(), std::min_element(cycle.begin(), cycle.end()), cycle.end());
      }
    }
  }
  return order;
}

Kind KindOf(const Stack& stack, const std::vector<Kind>& pass_kinds, NameRef ref) {
  switch (ref.type) {
    case NameRef::kPlate:
      return KindOf(stack.plate(ref.index).alpha());
    case NameRef::kMask:
      return MATTE;
    case NameRef::kPass:
      return pass_kinds[ref.index];
    default:
      return KIND_UNSPECIFIED;
  }
}

std::vector<Kind> PassKinds(const Stack& stack, const NameTable& names, const PassOrder& order) {
  std::vector<Kind> kinds(stack.pass_size(), KIND_UNSPECIFIED);
  for (int i : order.passes) {
    const Pass& pass = stack.pass(i);
    Kind kind = pass.from().empty() ? KIND_UNSPECIFIED : KindOf(stack, kinds, names.Find(pass.from()));
    for (const Step& step : pass.step()) kind = OperatorOf(step) == nullptr ? KIND_UNSPECIFIED : KindAfter(step, kind);
    kinds[i] = kind;
  }
  return kinds;
}

}  // namespace selvage::plan
