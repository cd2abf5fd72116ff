#include "server/plan/cut.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "server/plan/faults.h"
#include "server/plan/names.h"
#include "server/plan/proxy.h"
#include "server/plan/target_step.h"

namespace selvage::plan {
namespace {

class Cutter {
 public:
  Cutter(const Stack& stack, const std::vector<Target>& targets) : stack_(stack), targets_(targets), names_(stack) {
    for (const Deliverable& d : stack.deliver()) deliverables_.try_emplace(d.name(), &d);
  }

  StackCut Cut() {
    std::vector<int> roots;
    for (const Target& t : targets_) CollectRoots(t, &roots);
    const PassOrder order = OrderPasses(stack_, names_, roots);
    kinds_ = PassKinds(stack_, names_, order);
    pass_source_.resize(stack_.pass_size());
    mask_source_.resize(stack_.mask_size());
    plate_source_.resize(stack_.plate_size());
    for (int pass : order.passes) CutPass(pass);
    for (const Target& t : targets_) cut_.target_segment.push_back(CutTarget(t));
    return std::move(cut_);
  }

 private:
  const Deliverable* FindDeliverable(const std::string& name) const {
    const auto it = deliverables_.find(name);
    return it == deliverables_.end() ? nullptr : it->second;
  }

  void AddRoot(const std::string& name, std::vector<int>* roots) const {
    if (const int behind = PassBehind(stack_, names_, name); behind >= 0) roots->push_back(behind);
  }
  void CollectRoots(const Target& t, std::vector<int>* roots) {
    if (const Deliverable* d = FindDeliverable(t.deliverable)) {
      // One of many frames: the first one has said it all.
      if (roots_of_ == d) return;
      roots_of_ = d;
      AddRoot(d->from(), roots);
      for (const auto& layer : d->layer()) AddRoot(layer.from(), roots);
    } else if (t.look) {
      AddRoot(t.source, roots);
      for (const Port& port : PortsOf(ParamsOf(*t.look))) AddRoot(port.name, roots);
    } else {
      AddRoot(t.source, roots);
    }
  }

  Source Find(const std::string& name) {
    const NameRef ref = names_.Find(name);
    switch (ref.type) {
      case NameRef::kPlate:
        if (ProxyOf(stack_) > 1) return ReducedPlate(ref.index);
        return {Source::kPlate, ref.index, name};
      case NameRef::kMask:
        if (stack_.mask(ref.index).has_follow()) return Followed(ref.index);
        return {Source::kMask, ref.index, name};
      case NameRef::kPass: {
        Source s = pass_source_[ref.index];
        s.name = name;
        return s;
      }
      default:
        return {};
    }
  }

  Frames Real(const Source& s) const {
    if (s.type == Source::kPlate) return PlateFrames(stack_, stack_.plate(s.index));
    if (s.type == Source::kSegment) return cut_.segments[s.index].real;
    return {};
  }
  Frames Available(const Source& s) const {
    if (s.type == Source::kPlate && stack_.plate(s.index).missing() == Plate::HOLD) return {};
    if (s.type == Source::kSegment) return cut_.segments[s.index].available;
    return Real(s);
  }

  int Add(Segment segment) {
    segment.real = segment.reach = Real(segment.main);
    segment.available = Available(segment.main);
    for (const SideInput& side : segment.sides) {
      if (side.moves.type != Source::kNone) {
        segment.reach = segment.reach.Intersect(Real(side.moves));
        segment.real = segment.real.Intersect(Available(side.moves));
        segment.available = segment.available.Intersect(Available(side.moves));
      }
      // A measurement is there at every frame; what is carried knows where it is.
      if (side.at) continue;
      if (side.windowed) segment.reach = segment.reach.Intersect(Real(side.source));
      segment.real = segment.real.Intersect(Available(side.source));
      segment.available = segment.available.Intersect(Available(side.source));
    }
    cut_.segments.push_back(std::move(segment));
    return static_cast<int>(cut_.segments.size()) - 1;
  }

  // The task that measures a box in what `source` gives.
  Source Measure(const Port& port, const Segment& reader) {
    Segment s;
    s.pass = reader.pass;
    s.heeds_epochs = true;
    s.number = next_number_++;
    s.first_step = reader.first_step;
    s.keep = reader.keep;
    s.main = reader.main;
    SampleBox* box;
    Step step;
    if (port.traits.measure() == NOISE_PROFILE) {
      box = step.mutable_noise_profile()->mutable_box();
    } else {
      box = step.mutable_sample_color()->mutable_box();
    }
    *box = *port.box;
    box->clear_frame();
    s.steps.push_back(std::move(step));
    return {Source::kSegment, Add(std::move(s)), absl::StrCat(port.path, " of pass ", reader.pass)};
  }

  // The task that finds how a picture moves from a frame to the one `ahead` of it;
  // one for all that ask for it.
  Source Motion(const Source& picture, int ahead = 1) {
    auto [it, is_new] = motion_.try_emplace({picture.type, picture.index, ahead});
    if (!is_new) return it->second;
    Segment s;
    s.pass = absl::StrCat("motion ", picture.name);
    // Between two heavy steps a pass has pictures of its own; no window is longer than 8.
    const uint32_t segment = picture.type == Source::kSegment ? cut_.segments[picture.index].number : 0;
    s.number = 8 * segment + static_cast<uint32_t>(ahead - 1);
    s.heeds_epochs = true;
    s.main = picture;
    Step step;
    step.mutable_motion_field()->set_to(picture.name);
    s.steps.push_back(std::move(step));
    s.sides.push_back({0, "to", picture, FrameMap::Later(ahead)});
    it->second = {Source::kSegment, Add(std::move(s)), absl::StrCat("motion of ", picture.name)};
    return it->second;
  }

  // The plate at the size of the stack: a result, so that it is decoded at full size once.
  Source ReducedPlate(int index) {
    Source& source = plate_source_[index];
    if (source.type != Source::kNone) return source;
    const std::string& name = stack_.plate(index).name();
    Segment s;
    s.pass = absl::StrCat("reduced ", name);
    s.heeds_epochs = true;
    s.main = {Source::kPlate, index, name};
    s.steps.emplace_back().mutable_reduce()->set_by(ProxyOf(stack_));
    source = {Source::kSegment, Add(std::move(s)), name};
    return source;
  }

  // A mask that follows a picture: a result like a pass, of what is drawn at key
  // frames and carried from frame to frame between them.
  Source Followed(int index) {
    Source& source = mask_source_[index];
    if (source.type != Source::kNone) return source;
    const Mask& mask = stack_.mask(index);
    const Source picture = Find(mask.follow().picture());
    Segment draw = FollowSegment(mask, {FollowPart::kDraw, index, -1});
    for (int i = 0; i < mask.shape_size(); ++i) {
      const Mask::Shape& shape = mask.shape(i);
      const Source before = Carried(mask, {FollowPart::kForward, index, i}, picture);
      const Source after = Carried(mask, {FollowPart::kBackward, index, i}, picture);
      draw.sides.push_back({0, absl::StrCat("shape[", i, "].before"), before, ForwardAt(shape), false});
      draw.sides.push_back({0, absl::StrCat("shape[", i, "].after"), after, BackwardAt(shape), false});
    }
    source = {Source::kSegment, AddFollowing(std::move(draw), picture), mask.name()};
    return source;
  }

  static Segment FollowSegment(const Mask& mask, const FollowPart& part) {
    Segment s;
    s.pass = absl::StrCat("mask ", mask.name());
    s.heeds_epochs = true;
    s.follow = part;
    if (part.does == FollowPart::kDraw) return s;
    // For messages: the shape.
    s.first_step = static_cast<uint32_t>(part.shape);
    s.number = 1 + 2 * static_cast<uint32_t>(part.shape) + (part.does == FollowPart::kBackward);
    return s;
  }

  // The task that carries one shape to the next or previous frame: reads itself
  // at the frame before, up to a key frame.
  Source Carried(const Mask& mask, const FollowPart& part, const Source& picture) {
    const bool backward = part.does == FollowPart::kBackward;
    const Source motion = Motion(picture);
    Segment s = FollowSegment(mask, part);
    const Source self{Source::kSegment, static_cast<int>(cut_.segments.size()), mask.name()};
    s.sides.push_back({0, "from", self, CarriedFrom(mask.shape(part.shape), backward), false});
    s.sides.push_back({0, "motion", motion, FrameMap::Later(backward ? 0 : -1), false});
    AddFollowing(std::move(s), picture);
    return self;
  }

  // It is there where the picture is.
  int AddFollowing(Segment segment, const Source& picture) {
    const int index = Add(std::move(segment));
    cut_.segments[index].real = cut_.segments[index].reach = Real(picture);
    cut_.segments[index].available = Available(picture);
    return index;
  }

  void AddStep(const Step& step, const std::vector<Port>& ports, Segment* segment) {
    const int index = static_cast<int>(segment->steps.size());
    for (const Port& port : ports) {
      if (port.box != nullptr) {
        const int32_t at = port.box->has_frame() ? port.box->frame() : stack_.frames().first();
        segment->sides.push_back(
            {index, port.path, Measure(port, *segment), FrameMap::At(at), false, {}, 0, port.keyed_path});
      } else if (!port.name.empty() && !port.traits.motion()) {
        segment->sides.push_back(
            {index, port.path, Find(port.name), {}, port.traits.windowed(), {}, 0, port.keyed_path});
      }
    }
    segment->steps.push_back(step);
  }

  // The last step's window, and how pictures move over it.
  void AddWindow(const Step& step, const std::vector<Port>& ports, Segment* segment) {
    segment->window = WindowOf(ParamsOf(step));
    if (OperatorOf(step)->traits.motion()) AddMotion(segment->main, "in", segment);
    for (const Port& port : ports) {
      if (port.traits.motion() && !port.name.empty()) AddMotion(Find(port.name), port.path, segment);
    }
  }

  void AddMotion(const Source& picture, const std::string& port, Segment* segment) {
    const int step = static_cast<int>(segment->steps.size()) - 1;
    const Frames there = Real(picture);
    for (int k = 1; k <= segment->window; ++k) {
      for (int offset : {-k, k}) {
        const int32_t earlier = std::min(0, offset), later = std::max(0, offset);
        const FrameMap at = FrameMap::Later(earlier, there.Moved(-earlier, -later));
        const std::string name = absl::StrCat(port, ".motion", offset > 0 ? "+" : "", offset);
        segment->sides.push_back({step, name, Motion(picture, k), at, false, picture, offset});
      }
    }
  }

  // Heavy steps are segments of their own; a step with a measured box begins
  // one, so that the measuring task reads a stored result.
  void CutPass(int index) {
    const Pass& pass = stack_.pass(index);
    const Source from = pass.from().empty() ? Source{} : Find(pass.from());
    if (pass.step_size() == 0 && from.type == Source::kSegment) {
      pass_source_[index] = from;
      return;
    }
    next_number_ = 0;
    Segment current;
    auto begin = [&](const Source& main, int first_step) {
      current = Segment{};
      current.pass = pass.name();
      current.heeds_epochs = true;
      current.first_step = static_cast<uint32_t>(first_step);
      current.keep = pass.keep();
      current.main = main;
    };
    auto end = [&] {
      current.number = next_number_++;
      return Source{Source::kSegment, Add(std::move(current)), pass.name()};
    };
    begin(from, 0);
    bool after_heavy = false;
    for (int i = 0; i < pass.step_size(); ++i) {
      const Step& step = pass.step(i);
      const std::vector<Port> ports = PortsOf(ParamsOf(step));
      const bool heavy = OperatorOf(step)->heavy();
      const bool measures = std::any_of(ports.begin(), ports.end(), [](const Port& p) { return p.box != nullptr; });
      if (!current.steps.empty() && (heavy || measures || after_heavy)) begin(end(), i);
      AddStep(step, ports, &current);
      if (heavy) AddWindow(step, ports, &current);
      after_heavy = heavy;
    }
    pass_source_[index] = end();
  }

  int CutTarget(const Target& t) {
    if (const Deliverable* d = FindDeliverable(t.deliverable)) {
      auto [it, is_new] = deliver_segment_.try_emplace(d->name(), -1);
      if (is_new) it->second = CutDeliverable(*d);
      return it->second;
    }
    if (t.look) return CutLook(t);
    const NameRef ref = names_.Find(t.source);
    if (ref.type == NameRef::kPass) return CutPassTarget(ref.index);
    if (ref.type == NameRef::kMask && stack_.mask(ref.index).has_follow()) return Followed(ref.index).index;
    return Refuse(t.deliverable.empty() ? names_.Unknown(t.source) : UnknownDeliverable(t.deliverable));
  }

  std::string UnknownDeliverable(const std::string& name) const {
    std::vector<std::string> names;
    for (const Deliverable& d : stack_.deliver()) names.push_back(d.name());
    const std::string closest = ClosestName(name, names);
    return absl::StrCat("there is no deliverable ", Quoted(name),
                        closest.empty() ? "" : absl::StrCat("; did you mean ", Quoted(closest), "?"));
  }

  // A pass without steps from a plate or mask is nothing of its own.
  int CutPassTarget(int pass) {
    const Source& source = pass_source_[pass];
    if (source.type == Source::kSegment) return source.index;
    return Refuse(absl::StrCat("pass \"", stack_.pass(pass).name(), "\" renders nothing: it has no steps"));
  }

  int Refuse(const std::string& message) {
    cut_.errors.emplace_back().set_message(message);
    return -1;
  }

  int CutDeliverable(const Deliverable& d) {
    Segment s;
    s.pass = absl::StrCat("deliver ", d.name());
    s.main = Find(d.from());
    s.metadata_plate = PlateUnder(d.from());
    const Step step = DeliverStep(stack_, d);
    AddStep(step, PortsOf(ParamsOf(step)), &s);
    return Add(std::move(s));
  }

  // The plate that a plate or pass begins with, followed back along `from`; -1 if it
  // begins with a mask or a colour.
  int PlateUnder(const std::string& name) const {
    NameRef ref = names_.Find(name);
    while (ref.type == NameRef::kPass) ref = names_.Find(stack_.pass(ref.index).from());
    return ref.type == NameRef::kPlate ? ref.index : -1;
  }

  int CutLook(const Target& t) {
    LookStep look = CompleteLook(stack_, names_, kinds_, t);
    if (!look.errors.empty()) {
      std::move(look.errors.begin(), look.errors.end(), std::back_inserter(cut_.errors));
      return -1;
    }
    Segment s;
    s.pass = "look";
    s.main = Find(t.source);
    const std::vector<Port> ports = PortsOf(ParamsOf(look.step));
    AddStep(look.step, ports, &s);
    AddWindow(look.step, ports, &s);
    return Add(std::move(s));
  }

  const Stack& stack_;
  const std::vector<Target>& targets_;
  const NameTable names_;
  absl::flat_hash_map<std::string, const Deliverable*> deliverables_;
  std::vector<Kind> kinds_;
  // What a pass stands for: its last segment, or that of the pass it repeats.
  std::vector<Source> pass_source_;
  // Of masks that follow.
  std::vector<Source> mask_source_;
  // Of plates, where they are reduced.
  std::vector<Source> plate_source_;
  absl::flat_hash_map<std::tuple<Source::Type, int, int>, Source> motion_;
  absl::flat_hash_map<std::string, int> deliver_segment_;
  const Deliverable* roots_of_ = nullptr;
  uint32_t next_number_ = 0;
  StackCut cut_;
};

}  // namespace

Frames PlateFrames(const Stack& stack, const Plate& plate) {
  const auto pattern = ParsePattern(plate.files());
  // A still is the same picture at every frame.
  if (pattern.ok() && pattern->still()) return {};
  const FrameRange& range = plate.has_frames() ? plate.frames() : stack.frames();
  return {range.first(), range.last()};
}

StackCut CutStack(const Stack& stack, const std::vector<Target>& targets) { return Cutter(stack, targets).Cut(); }

}  // namespace selvage::plan
