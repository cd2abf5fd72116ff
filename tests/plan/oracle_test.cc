// The planner against a naive evaluator, on random temporal graphs. The naive
// one walks the stack recursively, frame by frame, and writes out what each
// result is as an expression; it knows no segments, ranges or demand. Results
// must have the same key exactly when they are the same expression, and the
// plan must hold exactly the stored results that the targets need.
#include <map>
#include <random>

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

constexpr int kFirst = 1, kLast = 6;

class Naive {
 public:
  Naive(const Stack& stack, const Disk& disk) : stack_(stack), disk_(disk) {}

  // What a deliverable writes at a frame.
  std::string Delivered(const Deliverable& d, int frame) {
    std::string e = absl::StrCat("deliver(", Named(d.from(), frame));
    for (const auto& layer : d.layer()) absl::StrAppend(&e, ", ", layer.name(), "=", Named(layer.from(), frame));
    return Store(e + ")");
  }
  std::string PassAt(const std::string& name, int frame) { return Named(name, frame); }
  const std::set<std::string>& stored() const { return stored_; }

 private:
  // Expressions get long: each stored one is known by a number.
  std::string Store(const std::string& e) {
    if (e[0] == '#') return e;
    static std::map<std::string, int> numbers;
    const std::string number = absl::StrCat("#", numbers.try_emplace(e, numbers.size()).first->second);
    stored_.insert(number);
    return number;
  }

  const Plate* FindPlate(const std::string& name) const {
    for (const Plate& p : stack_.plate()) {
      if (p.name() == name) return &p;
    }
    return nullptr;
  }
  const Pass* FindPass(const std::string& name) const {
    for (const Pass& p : stack_.pass()) {
      if (p.name() == name) return &p;
    }
    return nullptr;
  }
  static std::string File(const Plate& p, int frame) {
    const size_t at = p.files().find("%d");
    return at == std::string::npos ? p.files()
                                   : p.files().substr(0, at) + std::to_string(frame) + p.files().substr(at + 2);
  }
  static bool Still(const Plate& p) { return p.files().find("%d") == std::string::npos; }
  static bool In(const Plate& p, int frame) {
    return p.has_frames() ? frame >= p.frames().first() && frame <= p.frames().last()
                          : frame >= kFirst && frame <= kLast;
  }

  std::string PlateAt(const Plate& p, int frame) const {
    auto there = [&](int f) { return In(p, f) && disk_.missing.count(File(p, f)) == 0; };
    if (Still(p) || there(frame)) return "file " + File(p, frame);
    for (int f = frame; f > -100; --f) {
      if (there(f)) return "file " + File(p, f);
    }
    for (int f = frame; f < 100; ++f) {
      if (there(f)) return "file " + File(p, f);
    }
    return "no file";
  }

  std::string Named(const std::string& name, int frame) {
    if (const Plate* plate = FindPlate(name)) return PlateAt(*plate, frame);
    if (const Pass* pass = FindPass(name)) return Store(After(*pass, pass->step_size(), frame));
    return absl::StrCat("mask ", name == "moving" ? std::min(std::max(frame, 2), 4) : 0);
  }

  // Found once for each pair of pictures, from the earlier to the later.
  std::string Motion(const std::string& here, const std::string& there, bool before) {
    return Store(absl::StrCat("motion(", before ? there : here, ", ", before ? here : there, ")"));
  }

  // Is there a real frame (not a held one) after the first `steps` of a pass?
  bool RealAfter(const Pass& pass, int steps, int frame) const {
    return RealAt(pass.from(), frame) && SidesThere(pass, steps, frame);
  }
  bool RealAt(const std::string& name, int frame) const {
    if (const Plate* plate = FindPlate(name)) return Still(*plate) || In(*plate, frame);
    return RealAfter(*FindPass(name), FindPass(name)->step_size(), frame);
  }
  bool ThereAt(const std::string& name, int frame) const {
    if (const Plate* plate = FindPlate(name))
      return Still(*plate) || plate->missing() == Plate::HOLD || In(*plate, frame);
    const Pass* pass = FindPass(name);
    return pass == nullptr || (ThereAt(pass->from(), frame) && SidesThere(*pass, pass->step_size(), frame));
  }
  bool SidesThere(const Pass& pass, int steps, int frame) const {
    for (int i = 0; i < steps; ++i) {
      for (const std::string& side : Sides(pass.step(i))) {
        if (!ThereAt(side, frame)) return false;
      }
    }
    return true;
  }
  static std::vector<std::string> Sides(const Step& s) {
    std::vector<std::string> names;
    if (s.has_grade() && !s.grade().mask().empty()) names.push_back(s.grade().mask());
    if (s.has_patch()) names = {s.patch().with(), s.patch().mask()};
    if (s.has_combine()) names.push_back(s.combine().with());
    if (s.has_within()) names.push_back(s.within().mask());
    if (s.has_spread_color()) names.push_back(s.spread_color().core());
    if (s.has_steady()) names.push_back(s.steady().plate());
    return names;
  }

  static double At(const Number& n, int frame) {
    if (n.at_size() == 0) return n.value();
    if (frame <= n.at(0).frame()) return n.at(0).value();
    if (frame >= n.at(1).frame()) return n.at(1).value();
    const double u = double(frame - n.at(0).frame()) / (n.at(1).frame() - n.at(0).frame());
    return (1 - u) * n.at(0).value() + u * n.at(1).value();
  }

  // The value after the first `steps` of a pass, not rounded unless it has to be.
  std::string After(const Pass& pass, int steps, int frame) {
    if (steps == 0) {
      // A pass without steps from a plate keeps the plate as a result.
      const bool copy = pass.step_size() == 0 && FindPass(pass.from()) == nullptr;
      const std::string from = Named(pass.from(), frame);
      return copy ? "copy " + from : from;
    }
    const Step& s = pass.step(steps - 1);
    auto in = [&](int f) { return After(pass, steps - 1, f); };
    // Inputs of heavy and of measuring steps are stored, files are as they are.
    auto kept = [&](int f) {
      const std::string e = in(f);
      return e.substr(0, 5) == "file " ? e : Store(e);
    };
    switch (s.op_case()) {
      case Step::kDegrain: {
        std::vector<std::string> all = {kept(frame)};
        std::string e = absl::StrCat("degrain ", s.degrain().window(), "(", all[0]);
        for (int k = 1; k <= static_cast<int>(s.degrain().window()); ++k) {
          for (int f : {frame - k, frame + k}) {
            if (!RealAfter(pass, steps - 1, f) || !RealAfter(pass, steps - 1, frame)) continue;
            const std::string other = kept(f);
            if (std::find(all.begin(), all.end(), other) != all.end()) continue;
            all.push_back(other);
            absl::StrAppend(&e, ", ", f - frame, ":", other, " by ", Motion(all[0], other, f < frame));
          }
        }
        return Store(e + ")");
      }
      case Step::kSteady: {
        // Frames count in pairs: a matte and its plate, both real, both new. Of the
        // plate only its motion is read.
        const auto without = stored_;
        const std::string plate_here = Named(s.steady().plate(), frame);
        stored_ = without;
        std::vector<std::string> mattes = {kept(frame)}, plates = {plate_here};
        std::string e = absl::StrCat("steady ", s.steady().window(), "(", mattes[0]);
        for (int k = 1; k <= static_cast<int>(s.steady().window()); ++k) {
          for (int f : {frame - k, frame + k}) {
            if (!RealAfter(pass, steps - 1, f) || !RealAt(s.steady().plate(), f)) continue;
            if (!RealAt(s.steady().plate(), frame)) continue;
            const auto stored_before = stored_;
            const std::string matte = kept(f), plate = Named(s.steady().plate(), f);
            if (std::find(mattes.begin(), mattes.end(), matte) != mattes.end() ||
                std::find(plates.begin(), plates.end(), plate) != plates.end()) {
              // Nobody reads them.
              stored_ = stored_before;
              continue;
            }
            mattes.push_back(matte);
            plates.push_back(plate);
            Named(s.steady().plate(), frame);
            absl::StrAppend(&e, ", ", f - frame, ":", matte, " by ", Motion(plate_here, plate, f < frame));
          }
        }
        return Store(e + ")");
      }
      case Step::kSpreadColor:
        return Store(absl::StrCat("extend(", kept(frame), ", ", Named(s.spread_color().core(), frame), ")"));
      case Step::kFillColor: {
        const int at = s.fill_color().sample().has_frame() ? s.fill_color().sample().frame() : kFirst;
        const std::string measured = Store(absl::StrCat("mean ", s.fill_color().sample().x(), "(", kept(at), ")"));
        return absl::StrCat("fill(", kept(frame), ", ", measured, ")");
      }
      case Step::kGrade:
        return absl::StrCat("grade ", At(s.grade().stops(), frame), "(", in(frame), ", ",
                            s.grade().mask().empty() ? "-" : Named(s.grade().mask(), frame), ")");
      case Step::kPatch:
        return absl::StrCat("patch(", in(frame), ", ", Named(s.patch().with(), frame), ", ",
                            Named(s.patch().mask(), frame), ")");
      case Step::kColorDifference:
        return absl::StrCat("key(", in(frame), ")");
      case Step::kLevels:
        return absl::StrCat("levels ", At(s.levels().gamma(), frame), "(", in(frame), ")");
      case Step::kCombine:
        return absl::StrCat("combine(", in(frame), ", ", Named(s.combine().with(), frame), ")");
      case Step::kWithin:
        return absl::StrCat("within(", in(frame), ", ", Named(s.within().mask(), frame), ")");
      default:
        ADD_FAILURE() << s.ShortDebugString();
        return "";
    }
  }

  const Stack& stack_;
  const Disk& disk_;
  std::set<std::string> stored_;
};

class RandomStack {
 public:
  explicit RandomStack(uint32_t seed) : random_(seed) {}

  Stack Make(Disk* disk) {
    stack_.set_name("s");
    stack_.mutable_frames()->set_first(kFirst);
    stack_.mutable_frames()->set_last(kLast);
    stack_.mutable_format()->set_width(64);
    stack_.mutable_format()->set_height(64);
    AddPlates(disk);
    AddMasks();
    const int passes = Below(7) + 2;
    for (int i = 0; i < passes; ++i) AddPass(i);
    Deliverable* d = stack_.add_deliver();
    d->set_name("d");
    d->set_from(Pick(Below(2) ? colors_ : mattes_));
    d->set_files("/o.%d.exr");
    for (int i = Below(3); i > 0; --i) {
      auto* layer = d->add_layer();
      layer->set_name("l" + std::to_string(i));
      layer->set_from(Pick(Below(2) ? colors_ : mattes_));
    }
    if (Below(3) == 0) {
      d->mutable_frames()->set_first(2);
      d->mutable_frames()->set_last(2 + Below(4));
    }
    // Order in the file must not matter.
    std::shuffle(stack_.mutable_pass()->begin(), stack_.mutable_pass()->end(), random_);
    return stack_;
  }

 private:
  int Below(int n) { return static_cast<int>(random_() % n); }
  const std::string& Pick(const std::vector<std::string>& from) { return from[Below(from.size())]; }

  void AddPlates(Disk* disk) {
    // Covers the stack and any window, or is held.
    const char* names[] = {"whole", "exact", "held", "still"};
    for (const char* name : names) {
      Plate* p = stack_.add_plate();
      p->set_name(name);
      p->set_files(absl::StrCat("/", name, name == std::string("still") ? "" : ".%d", ".exr"));
      colors_.push_back(name);
    }
    stack_.mutable_plate(0)->mutable_frames()->set_first(kFirst - Below(4));
    stack_.mutable_plate(0)->mutable_frames()->set_last(kLast + Below(4));
    Plate* held = stack_.mutable_plate(2);
    held->set_missing(Plate::HOLD);
    held->mutable_frames()->set_first(Below(4));
    held->mutable_frames()->set_last(held->frames().first() + 1 + Below(5));
    for (int f = held->frames().first(); f < held->frames().last(); ++f) {
      if (Below(3) == 0) disk->missing.insert(absl::StrCat("/held.", f, ".exr"));
    }
  }

  void AddMasks() {
    Mask* still = stack_.add_mask();
    still->set_name("fixed");
    still->add_shape()->set_path("M0 0H9V9Z");
    Mask* moving = stack_.add_mask();
    moving->set_name("moving");
    auto* shape = moving->add_shape();
    for (int f : {2, 4}) {
      auto* k = shape->add_at();
      k->set_frame(f);
      k->set_path(absl::StrCat("M0 0H", 10 + f, "V9Z"));
    }
    mattes_ = {"fixed", "moving"};
  }

  void SetNumber(Number* n) {
    if (Below(2)) {
      n->set_value(0.5 + Below(2));
      return;
    }
    n->add_at()->set_frame(2);
    n->add_at()->set_frame(4);
    n->mutable_at(0)->set_value(0.5 + Below(2));
    n->mutable_at(1)->set_value(0.5 + Below(2));
  }

  void AddColorStep(const std::string& from, Pass* pass) {
    switch (Below(7)) {
      case 0: {
        SetNumber(pass->add_step()->mutable_grade()->mutable_stops());
        if (Below(2)) pass->mutable_step(pass->step_size() - 1)->mutable_grade()->set_mask(Pick(mattes_));
        break;
      }
      case 1: {
        auto* p = pass->add_step()->mutable_patch();
        p->set_with(Pick(colors_));
        p->set_mask(Pick(mattes_));
        break;
      }
      case 2: {
        auto* box = pass->add_step()->mutable_fill_color()->mutable_sample();
        box->set_x(Below(2));
        box->set_width(2);
        box->set_height(2);
        if (Below(2)) box->set_frame(kFirst + Below(kLast));
        break;
      }
      case 3:
        pass->add_step()->mutable_spread_color()->set_core(Pick(mattes_));
        break;
      default:
        // Validation refuses a window on a still.
        pass->add_step()->mutable_degrain()->set_window(stills_.count(from) ? 0 : Below(3));
    }
  }

  void AddPass(int number) {
    Pass* pass = stack_.add_pass();
    pass->set_name("p" + std::to_string(number));
    const bool matte = Below(3) == 0;
    pass->set_from(Pick(colors_));
    const int steps = Below(4);
    for (int i = 0; i < steps; ++i) AddColorStep(pass->from(), pass);
    if (!matte) {
      if (stills_.count(pass->from())) stills_.insert(pass->name());
      colors_.push_back(pass->name());
      return;
    }
    pass->add_step()->mutable_color_difference();
    std::vector<std::string> moving;
    for (const std::string& name : colors_) {
      if (stills_.count(name) == 0) moving.push_back(name);
    }
    for (int i = Below(3); i > 0; --i) {
      switch (Below(stills_.count(pass->from()) ? 3 : 4)) {
        case 3:
          pass->add_step()->mutable_steady()->set_plate(Pick(moving));
          pass->mutable_step(pass->step_size() - 1)->mutable_steady()->set_window(1 + Below(2));
          break;
        case 0:
          SetNumber(pass->add_step()->mutable_levels()->mutable_gamma());
          break;
        case 1:
          pass->add_step()->mutable_combine()->set_with(Pick(mattes_));
          break;
        default:
          pass->add_step()->mutable_within()->set_mask(Pick(mattes_));
      }
    }
    mattes_.push_back(pass->name());
  }

  std::mt19937 random_;
  Stack stack_;
  std::vector<std::string> colors_, mattes_;
  // Perhaps the same at every frame.
  std::set<std::string> stills_ = {"still"};
};

TEST(Oracle, PlannerEqualsTheNaiveEvaluatorOnRandomGraphs) {
  // Over all graphs: one key for each expression, one expression for each key.
  std::map<std::string, ResultKey> key_of;
  std::map<ResultKey, std::string> expression_of;
  auto same = [&](const std::string& expression, const ResultKey& key) {
    return key_of.try_emplace(expression, key).first->second == key &&
           expression_of.try_emplace(key, expression).first->second == expression;
  };
  size_t tasks = 0, temporal = 0, windowed = 0;
  for (uint32_t seed = 0; seed < 3000; ++seed) {
    Disk disk;
    disk.width = disk.height = 64;
    const Stack stack = RandomStack(seed).Make(&disk);
    const auto targets = DeliverableTargets(stack);
    const Plan plan = PlanAll(stack, disk);
    ASSERT_TRUE(plan.errors.empty()) << seed << " " << plan.errors[0].message();
    Naive naive(stack, disk);
    for (size_t i = 0; i < targets.size(); ++i) {
      ASSERT_TRUE(same(naive.Delivered(stack.deliver(0), targets[i].frame), plan.targets[i])) << "seed " << seed << "\n"
                                                                                              << stack.DebugString();
    }
    ASSERT_EQ(naive.stored().size(), plan.tasks.size()) << "seed " << seed << "\n" << stack.DebugString();
    for (const Pass& pass : stack.pass()) {
      for (int f = kFirst; f <= kLast; ++f) {
        const PlannedTask* last = FindTask(plan, pass.name(), f);
        // Only where its last segment is its own: another name may hold it.
        if (last == nullptr || last->first_step + last->steps->size() != static_cast<size_t>(pass.step_size()))
          continue;
        if (!last->steps->empty() && OperatorOf(last->steps->back())->traits.gives() == BLOB) continue;
        ASSERT_TRUE(same(naive.PassAt(pass.name(), f), last->key)) << "seed " << seed << " " << pass.name() << " " << f;
      }
    }
    tasks += plan.tasks.size();
    for (const PlannedTask& t : plan.tasks) {
      temporal += t.inputs.size() > 1 && t.inputs[1].frame_offset != 0;
      windowed += t.inputs.back().port.starts_with("plate.motion");
    }
  }
  // The graphs are worth something.
  EXPECT_GT(tasks, 30'000u);
  EXPECT_GT(temporal, 3'000u);
  EXPECT_GT(windowed, 900u);
}

}  // namespace
}  // namespace selvage::plan
