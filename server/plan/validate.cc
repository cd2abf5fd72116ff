// Everything that can be said of a stack without looking at files. Each fault
// is one sentence: where, what was given, what is allowed.
#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "proto/svg_path.h"
#include "server/plan/basic_check.h"
#include "server/plan/names.h"
#include "proto/frame_pattern.h"
#include "server/plan/plan.h"
#include "server/plan/proxy.h"
#include "server/plan/validate_deliver.h"
#include "server/plan/validate_pass.h"
#include "server/plan/values_check.h"
#include "server/plan/words.h"

namespace selvage::plan {
namespace {

constexpr uint32_t kMaxSide = 65'536;

class StackCheck {
 public:
  StackCheck(const Stack& stack, const Limits& limits) : stack_(stack), limits_(limits), names_(stack) {}

  std::vector<StackError> Check() {
    if (!CheckCounts()) return faults_.Take();
    CheckKnown("", stack_, &faults_);
    CheckName({"", ""}, stack_.name(), &faults_);
    CheckFrames({"frames", "frames"}, stack_.has_frames(), stack_.frames(), limits_, &faults_);
    CheckFormat();
    CheckSize();
    for (int i = 0; i < stack_.plate_size() && !faults_.full(); ++i) CheckPlate(i);
    PassCheck passes(stack_, names_, limits_, &faults_);
    for (int i = 0; i < stack_.mask_size() && !faults_.full(); ++i) CheckMask(i, passes);
    for (int i = 0; i < stack_.pass_size() && !faults_.full(); ++i) {
      CheckSharedName(PlaceOf("pass", i, stack_.pass(i).name()), stack_.pass(i).name());
      passes.Check(i);
    }
    DeliverCheck deliverables(stack_, limits_, passes, &faults_);
    for (int i = 0; i < stack_.deliver_size() && !faults_.full(); ++i) deliverables.Check(i);
    return faults_.Take();
  }

 private:
  bool CheckCount(const char* field, const char* words, int count, int allowed) {
    if (count <= allowed) return true;
    faults_.Add(field, absl::StrCat("there are ", count, " ", words, ", allowed ", allowed));
    return false;
  }
  // Beyond these nothing else is looked at.
  bool CheckCounts() {
    return CheckCount("plate", "plates", stack_.plate_size(), limits_.plates) &&
           CheckCount("mask", "masks", stack_.mask_size(), limits_.masks) &&
           CheckCount("pass", "passes", stack_.pass_size(), limits_.passes) &&
           CheckCount("deliver", "deliverables", stack_.deliver_size(), limits_.deliverables);
  }

  // Plates, masks and passes share names.
  void CheckSharedName(const Place& at, const std::string& name) {
    if (!CheckName(at, name, &faults_)) return;
    auto [it, is_new] = taken_.try_emplace(name, at.path.substr(0, at.path.find('[')));
    if (!is_new) {
      faults_.Add(at.path + ".name", absl::StrCat(at.words, ": an earlier ", it->second, " has this name already"));
    }
  }

  void CheckFormat() {
    if (!stack_.has_format()) {
      if (stack_.plate_size() == 0)
        faults_.Add("format", "format: set its width and height, there is no plate to take the size from");
      return;
    }
    const uint64_t w = stack_.format().width(), h = stack_.format().height();
    if (w < 1 || h < 1 || w > kMaxSide || h > kMaxSide || w * h > static_cast<uint64_t>(limits_.format_pixels)) {
      faults_.Add("format", absl::StrCat("format: ", w, " x ", h, " is out of range, allowed 1 to ", kMaxSide,
                                         " a side and ", limits_.format_pixels, " pixels"));
    }
  }

  void CheckSize() {
    if (!stack_.has_proxy()) return;
    for (const StackError& e : CheckProxy(stack_, stack_.format())) faults_.Add(e.path(), e.message());
  }

  void CheckPlate(int index) {
    const Plate& plate = stack_.plate(index);
    const Place at = PlaceOf("plate", index, plate.name());
    CheckSharedName(at, plate.name());
    const Place files = at.Field("files");
    const auto pattern = ParsePattern(plate.files());
    if (!pattern.ok()) {
      faults_.Add(plate.files().empty() ? at.path : files.path,
                  absl::StrCat(files.words, ": ", pattern.status().message()));
    } else if (plate.files()[0] != '/') {
      faults_.Add(files.path, absl::StrCat(files.words, ": ", Quoted(plate.files()), " must be an absolute path"));
    }
    const bool still = pattern.ok() && pattern->still();
    if (plate.has_frames() && CheckFrames(at.Field("frames"), true, plate.frames(), limits_, &faults_) && !still) {
      CheckHeldFrames(at.Field("frames"), plate);
    }
    if (plate.has_offset()) CheckOffset(at.Field("offset"), plate, still);
  }

  // A plate of which one frame would stand for the whole shot: then it is counted
  // otherwise, or there would be no need of a sequence.
  void CheckHeldFrames(const Place& at, const Plate& plate) {
    const FrameRange &has = plate.frames(), &shot = stack_.frames();
    const bool apart = has.last() < shot.first() || has.first() > shot.last();
    if (plate.missing() != Plate::HOLD || !apart || has.first() == has.last()) return;
    faults_.Add(at.path, absl::StrCat(at.words, ": none of the frames ", shot.first(), "-", shot.last(),
                                      " exists, one frame would be held for all of them; if the files are numbered ",
                                      has.first(), "-", has.last(), ", leave `frames` out and set `offset: ",
                                      int64_t{has.first()} - shot.first() + plate.offset(), "`"));
  }

  void CheckOffset(const Place& at, const Plate& plate, bool still) {
    if (plate.offset() < -kMaxFrame || plate.offset() > kMaxFrame) {
      faults_.Add(at.path, absl::StrCat(at.words, ": ", plate.offset(), " is out of range, allowed ", -kMaxFrame,
                                        " to ", kMaxFrame));
    } else if (still) {
      faults_.Add(at.path,
                  absl::StrCat(at.words, ": a still has no frame numbers, remove it or write %04d in `files`"));
    }
  }

  void CheckMask(int index, const PassCheck& passes) {
    const Mask& mask = stack_.mask(index);
    const Place at = PlaceOf("mask", index, mask.name());
    CheckSharedName(at, mask.name());
    if (mask.shape_size() == 0) faults_.Add(at.path, absl::StrCat(at.words, ": has no shape, draw at least one"));
    for (int i = 0; i < mask.shape_size() && !faults_.full(); ++i) CheckShape(at.Item("shape", i), mask.shape(i));
    CheckValues(at.Field("shutter"), stack_, mask.shutter(), {}, &faults_);
    CheckValues(at.Field("track"), stack_, mask.track(), {}, &faults_);
    if (mask.has_follow()) CheckFollow(at, mask, passes);
  }

  void CheckFollow(const Place& at, const Mask& mask, const PassCheck& passes) {
    const Place follow = at.Field("follow"), picture = follow.Field("picture");
    CheckValues(
        follow, stack_, mask.follow(),
        [&](const Place& here, const ParamTraits& traits, const std::string& name) {
          passes.CheckSide(here, traits, name);
        },
        &faults_);
    if (passes.IsStill(mask.follow().picture())) {
      faults_.Add(picture.path, absl::StrCat(picture.words, ": ", Quoted(mask.follow().picture()),
                                             " is a still: nothing in it moves that a mask could follow"));
    }
    for (const auto& [field, given] : {std::pair{"shutter", mask.has_shutter()}, {"track", mask.has_track()}}) {
      if (!given) continue;
      const Place other = at.Field(field);
      faults_.Add(other.path, absl::StrCat(other.words, ": cannot be used together with `follow`, remove one of them"));
    }
    for (int i = 0; i < mask.shape_size() && !faults_.full(); ++i) CheckDrawn(at.Item("shape", i), mask.shape(i));
  }

  // Of a followed shape: it must be known when it was drawn.
  void CheckDrawn(const Place& at, const Mask::Shape& shape) {
    if (shape.has_path()) {
      const Place path = at.Field("path");
      faults_.Add(path.path,
                  absl::StrCat(path.words, ": in a mask that follows, say at which frame this was drawn: `at { frame: ",
                               stack_.frames().first(), " path: ... }`"));
    }
    for (int i = 0; i < shape.at_size(); ++i) {
      const int32_t frame = shape.at(i).frame();
      if (frame >= stack_.frames().first() && frame <= stack_.frames().last()) continue;
      faults_.Add(absl::StrCat(at.path, ".at[", i, "].frame"),
                  absl::StrCat(at.words, ": key frame ", frame, " is out of range; in a mask that follows, allowed ",
                               stack_.frames().first(), " to ", stack_.frames().last()));
      return;
    }
  }

  std::optional<SvgPath> CheckPath(const Place& at, const std::string& text) {
    auto path = ParseSvgPath(text);
    if (!path.ok()) {
      faults_.Add(at.path, absl::StrCat(at.words, ": ", path.status().message()));
      return std::nullopt;
    }
    if (path->sub_paths.empty()) {
      faults_.Add(at.path, absl::StrCat(at.words, ": draws nothing, it needs a line or a curve"));
      return std::nullopt;
    }
    return *std::move(path);
  }

  void CheckShape(const Place& at, const Mask::Shape& shape) {
    if (shape.has_path() == (shape.at_size() > 0)) {
      faults_.Add(at.path, absl::StrCat(at.words, shape.has_path()
                                                      ? ": has both `path` and key frames (`at`), use only one of them"
                                                      : ": has no path, set `path`, or `at` for key frames"));
      return;
    }
    if (shape.has_path()) CheckPath(at.Field("path"), shape.path());
    std::optional<SvgPath> first;
    for (int i = 0; i < shape.at_size() && !faults_.full(); ++i) {
      const Mask::KeyFrame& k = shape.at(i);
      const std::string key = absl::StrCat(at.path, ".at[", i, "]");
      if (i > 0 && k.frame() <= shape.at(i - 1).frame()) {
        faults_.Add(key + ".frame",
                    absl::StrCat(at.words, ": ", KeyFrameMisplaced(k.frame(), shape.at(i - 1).frame())));
        return;
      }
      const Place here{key + ".path", absl::StrCat(at.words, " at frame ", k.frame(), " path")};
      auto path = CheckPath(here, k.path());
      if (!path) return;
      if (i == 0) first = *std::move(path);
      if (i == 0 || CanMove(*first, *path)) continue;
      faults_.Add(here.path, absl::StrCat(here.words, ": ", Misfit(*path, *first, shape.at(0).frame())));
      return;
    }
    CheckNumber(at.Field("feather"), shape.feather(), ShapeTraits("feather"), &faults_);
    CheckNumber(at.Field("opacity"), shape.opacity(), ShapeTraits("opacity"), &faults_);
  }

  // Why a path cannot move on from that of the first key frame.
  static std::string Misfit(const SvgPath& path, const SvgPath& first, int32_t first_frame) {
    const size_t has = path.sub_paths.size(), had = first.sub_paths.size();
    if (has != had) {
      return absl::StrCat("has ", has, has == 1 ? " outline" : " outlines", ", at frame ", first_frame, " it has ", had,
                          "; both must have the same");
    }
    size_t i = 0;
    while (path.sub_paths[i].xy.size() == first.sub_paths[i].xy.size()) ++i;
    // A start and three points a curve.
    const auto segments = [i](const SvgPath& p) { return (p.sub_paths[i].xy.size() - 2) / 6; };
    return absl::StrCat(has == 1 ? "" : absl::StrCat("outline ", i + 1, " "), "has ", segments(path),
                        " segments (lines and curves), at frame ", first_frame, " it has ", segments(first),
                        "; both must have the same number");
  }
  static const ParamTraits& ShapeTraits(const char* field) {
    return TraitsOf(Mask::Shape::descriptor()->FindFieldByName(field));
  }

  const Stack& stack_;
  const Limits& limits_;
  const NameTable names_;
  Faults faults_;
  absl::flat_hash_map<std::string, std::string> taken_;
};

}  // namespace

std::vector<StackError> Validate(const Stack& stack, const Limits& limits) { return StackCheck(stack, limits).Check(); }

}  // namespace selvage::plan
