#include "client/report/report_passes.h"

#include <algorithm>
#include <map>
#include <set>

#include "proto/catalogue.h"

namespace selvage::client {
namespace {

class Choice {
 public:
  explicit Choice(const Stack& stack) : stack_(stack) {
    for (const Pass& pass : stack.pass()) passes_.emplace(pass.name(), &pass);
    for (const Deliverable& d : stack.deliver()) {
      Need(d.from());
      for (const auto& layer : d.layer()) Need(layer.from());
    }
  }

  std::vector<std::string> Make() {
    for (const Pass& pass : stack_.pass()) {
      if (needed_.count(pass.name())) AddForeground(pass);
    }
    const std::vector<std::string> foregrounds = chosen_;
    for (const Deliverable& d : stack_.deliver()) {
      AddMatte(d.from());
      for (const auto& layer : d.layer()) AddMatte(layer.from());
    }
    for (const Deliverable& d : stack_.deliver()) {
      if (foregrounds.empty() && KindOfName(d.from()) != OPAQUE) Add(d.from());
    }
    return chosen_;
  }

 private:
  void Need(const std::string& name) {
    const auto it = passes_.find(name);
    if (it == passes_.end() || !needed_.insert(name).second) return;
    Need(it->second->from());
    for (const Step& step : it->second->step()) {
      if (OperatorOf(step) == nullptr) continue;
      for (const Port& port : PortsOf(ParamsOf(step))) Need(port.name);
    }
  }

  void Add(const std::string& name) {
    if (std::find(chosen_.begin(), chosen_.end(), name) == chosen_.end()) chosen_.push_back(name);
  }
  void AddMatte(const std::string& name) {
    if (KindOfName(name) == MATTE && !measured_.count(name)) Add(name);
  }

  void AddForeground(const Pass& pass) {
    // A solid that gets a matte is no foreground.
    if (pass.from().empty()) return;
    const std::string* matte = nullptr;
    bool merged = false;
    for (const Step& step : pass.step()) {
      if (step.has_attach_matte()) matte = &step.attach_matte().matte(), merged = false;
      if (step.has_recover_color()) matte = &step.recover_color().matte(), merged = false;
      merged = merged || step.has_composite();
    }
    if (matte == nullptr) return;
    Add(merged ? *matte : pass.name());
    measured_.insert(*matte);
  }

  Kind KindOfName(const std::string& name) {
    for (const Plate& plate : stack_.plate()) {
      if (plate.name() == name) return KindOf(plate.alpha());
    }
    const auto it = passes_.find(name);
    if (it == passes_.end()) return MATTE;  // a mask
    // Goes round in a circle; the daemon says so.
    if (!asked_.insert(name).second) return KIND_UNSPECIFIED;
    Kind kind = it->second->from().empty() ? KIND_UNSPECIFIED : KindOfName(it->second->from());
    for (const Step& step : it->second->step()) kind = OperatorOf(step) == nullptr ? kind : KindAfter(step, kind);
    asked_.erase(name);
    return kind;
  }

  const Stack& stack_;
  std::map<std::string, const Pass*> passes_;
  std::set<std::string> needed_, measured_, asked_;
  std::vector<std::string> chosen_;
};

}  // namespace

std::vector<std::string> PassesToReport(const Stack& stack) { return Choice(stack).Make(); }

Screen::Hue ScreenToReport(const Stack& stack) {
  for (const Pass& pass : stack.pass()) {
    for (const Step& step : pass.step()) {
      if (!step.has_despill()) continue;
      const Screen& screen = step.despill().screen();
      const bool blue = screen.has_color() && screen.color().b() > std::max(screen.color().r(), screen.color().g());
      return blue || (screen.has_hue() && screen.hue() == Screen::BLUE) ? Screen::BLUE : Screen::GREEN;
    }
  }
  return Screen::GREEN;
}

}  // namespace selvage::client
