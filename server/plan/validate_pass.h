// Checks of passes: what they read, the kinds that meet, their steps.
#pragma once

#include "server/plan/faults.h"
#include "server/plan/names.h"
#include "server/plan/plan.h"

namespace selvage::plan {

class PassCheck {
 public:
  PassCheck(const Stack& stack, const NameTable& names, const Limits& limits, Faults* faults);

  void Check(int pass);
  // Kind of a name, for what reads passes; a fault if there is no such name.
  Kind CheckName(const Place& at, const std::string& name) const;

  // An input that parameters name: it is there and of a kind that is taken.
  void CheckSide(const Place& at, const ParamTraits& traits, const std::string& name) const;
  bool IsStill(const std::string& name) const;

 private:
  void CheckCycle(int pass) const;
  // How a pass reads the next of a cycle: " -> core".
  std::string Reads(int pass, int next) const;
  void CheckStep(int pass, int step, Kind* kind, bool* still) const;
  void CheckMainKind(const Place& at, int pass, int step, Kind kind) const;
  void CheckPatch(const Place& at, const Step& step, Kind main) const;

  const Stack& stack_;
  const NameTable& names_;
  const Limits& limits_;
  Faults* faults_;
  PassOrder order_;
  std::vector<Kind> kinds_;
  // The same picture at every frame.
  std::vector<bool> still_;
};

}  // namespace selvage::plan
