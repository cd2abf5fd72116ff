#include "server/plan/storing.h"

#include <algorithm>

#include "absl/container/flat_hash_map.h"
#include "proto/catalogue.h"

namespace selvage::plan {
namespace {

constexpr int kNobody = -1, kSeveral = -2;

bool NeedsPixels(Probed::State state) { return state == Probed::kRender || state == Probed::kKnown; }

struct Nature {
  // Why it is stored whatever reads it, or kHandedOn.
  Storing storing = Storing::kHandedOn;
  // Whether it is rendered must be decided before, by the contents of what it reads: it
  // takes long, and has no tile keys by which a worker could tell. So its inputs are
  // stored.
  bool heavy = false;
};

Nature NatureOf(const PlannedTask& task, bool target) {
  const auto steps = task.steps.Get();
  Nature nature;
  nature.heavy = std::any_of(steps->begin(), steps->end(), [](const Step& step) { return OperatorOf(step)->heavy(); });
  if (nature.heavy) nature.storing = Storing::kHeavy;
  if (!steps->empty() && KindAfter(steps->back(), MATTE) == BLOB) {
    const bool file = steps->back().has_deliver_file();
    nature.storing = file ? Storing::kDeliverable : task.pass == "look" ? Storing::kLook : Storing::kMeasured;
    // A file is known by a key for the whole of it, and a look is wanted now.
    nature.heavy = nature.storing == Storing::kMeasured;
  } else if (target && !nature.heavy) {
    nature.storing = Storing::kStored;
  }
  if (task.keep == Pass::ALWAYS) nature.storing = Storing::kAlways;
  return nature;
}

}  // namespace

std::vector<Storing> ChooseStoring(const Plan& plan, const Probed& probed, const StoringRules& rules) {
  const size_t count = plan.tasks.size();
  std::vector<Storing> storing(count, Storing::kStored);
  if (rules.all) return storing;
  absl::flat_hash_map<ResultKey, size_t, DigestHash> where;
  where.reserve(count);
  for (size_t i = 0; i < count; ++i) where[plan.tasks[i].key] = i;
  std::vector<bool> target(count), at_edge(count), read_by_heavy(count);
  for (const ResultKey& key : plan.targets) target[where.at(key)] = true;
  // The stored result that all readers so far lead to.
  std::vector<int> leads_to(count, kNobody), brought_along(count, 0);
  for (size_t i = count; i-- > 0;) {
    if (!NeedsPixels(probed.state[i])) continue;
    const PlannedTask& task = plan.tasks[i];
    Storing& chosen = storing[i];
    const Nature nature = NatureOf(task, target[i]);
    chosen = nature.storing;
    if (chosen == Storing::kHandedOn) {
      if (leads_to[i] == kNobody) {
        chosen = Storing::kStored;
      } else if (read_by_heavy[i]) {
        chosen = Storing::kHeavy;
      } else if (leads_to[i] == kSeveral) {
        chosen = Storing::kReadBySeveral;
      } else if (at_edge[i]) {
        chosen = Storing::kWorkingEdge;
      } else if (brought_along[leads_to[i]] >= rules.longest_way) {
        chosen = Storing::kLongWay;
      } else if (rules.also && rules.also(task)) {
        chosen = Storing::kStored;
      }
    }
    const int leads = chosen == Storing::kHandedOn ? leads_to[i] : static_cast<int>(i);
    if (chosen == Storing::kHandedOn) ++brought_along[leads];
    const bool edge = rules.working_edge.contains(task.pass);
    for (const PlannedInput& in : task.inputs) {
      if (!in.result) continue;
      const size_t input = where.at(*in.result);
      if (leads_to[input] == kNobody) {
        leads_to[input] = leads;
      } else if (leads_to[input] != leads) {
        leads_to[input] = kSeveral;
      }
      if (nature.heavy) read_by_heavy[input] = true;
      if (edge && plan.tasks[input].pass != task.pass) at_edge[input] = true;
    }
  }
  return storing;
}

const char* InWords(Storing storing) {
  switch (storing) {
    case Storing::kStored:
      return "stored";
    case Storing::kHandedOn:
      return "handed on in memory";
    case Storing::kAlways:
      return "keep: ALWAYS";
    case Storing::kDeliverable:
      return "deliverable";
    case Storing::kLook:
      return "look";
    case Storing::kMeasured:
      return "measured";
    case Storing::kHeavy:
      return "at a heavy step";
    case Storing::kReadBySeveral:
      return "read by several";
    case Storing::kWorkingEdge:
      return "working edge";
    case Storing::kLongWay:
      return "long way back";
  }
  return "stored";
}

void CountStoring(Storing storing, google::protobuf::RepeatedPtrField<StoringLine>* lines) {
  const std::string why = InWords(storing);
  StoringLine* line = nullptr;
  for (StoringLine& l : *lines) {
    if (l.why() == why) line = &l;
  }
  if (line == nullptr) {
    line = lines->Add();
    line->set_why(why);
    line->set_stored(storing != Storing::kHandedOn);
  }
  line->set_results(line->results() + 1);
}

}  // namespace selvage::plan
