// Everything that can be said of a stack without looking at files. Each fault
// is one sentence: where, what was given, what is allowed.
#include "absl/container/flat_hash_map.h"
#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "proto/svg_path.h"
#include "server/plan/faults.h"
#include "server/plan/file_type.h"
#include "server/plan/names.h"
#include "proto/frame_pattern.h"
#include "server/plan/plan.h"
#include "server/plan/validate_pass.h"
#include "server/plan/values_check.h"

namespace selvage::plan {
namespace {

constexpr size_t kMaxName = 64;
// Room for windows around it in 32 bits, and for six digits and a sign.
constexpr int32_t kMaxFrame = 10'000'000;
constexpr uint32_t kMaxSide = 65'536;

bool IsName(const std::string& name) {
  if (name.empty() || name.size() > kMaxName) return false;
  for (char c : name) {
    if (!absl::ascii_isalnum(static_cast<unsigned char>(c)) && c != '_' && c != '-' && c != '.') return false;
  }
  // Names may become parts of file names.
  return name[0] != '.' && name[0] != '-';
}

class StackCheck {
 public:
  StackCheck(const Stack& stack, const Limits& limits) : stack_(stack), limits_(limits), names_(stack) {}

  std::vector<StackError> Check() {
    if (!CheckCounts()) return faults_.Take();
    CheckKnown("", stack_, &faults_);
    CheckName({"", ""}, stack_.name());
    CheckFrames({"frames", "frames"}, stack_.has_frames(), stack_.frames());
    CheckFormat();
    for (int i = 0; i < stack_.plate_size() && !faults_.full(); ++i) CheckPlate(i);
    PassCheck passes(stack_, names_, limits_, &faults_);
    for (int i = 0; i < stack_.mask_size() && !faults_.full(); ++i) CheckMask(i, passes);
    for (int i = 0; i < stack_.pass_size() && !faults_.full(); ++i) {
      CheckSharedName(PlaceOf("pass", i, stack_.pass(i).name()), stack_.pass(i).name());
      passes.Check(i);
    }
    for (int i = 0; i < stack_.deliver_size() && !faults_.full(); ++i) CheckDeliverable(i, passes);
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

  bool CheckName(const Place& at, const std::string& name) {
    if (IsName(name)) return true;
    const Place here = at.Field("name");
    if (name.empty()) {
      faults_.Add(at.path.empty() ? "name" : at.path, absl::StrCat(here.words, ": is missing"));
    } else {
      faults_.Add(here.path, absl::StrCat(at.words.empty() ? absl::StrCat("name ", Quoted(name)) : at.words,
                                          ": a name holds up to ", kMaxName,
                                          " letters, digits, _ - . and begins with a letter, digit or _"));
    }
    return false;
  }

  Place PlaceOf(const char* list, int index, const std::string& name) const {
    return {absl::StrCat(list, "[", index, "]"),
            name.empty() ? absl::StrCat(list, " ", index + 1) : absl::StrCat(list, " ", Quoted(name))};
  }

  // Plates, masks and passes share names.
  void CheckSharedName(const Place& at, const std::string& name) {
    if (!CheckName(at, name)) return;
    auto [it, is_new] = taken_.try_emplace(name, at.path.substr(0, at.path.find('[')));
    if (!is_new) {
      faults_.Add(at.path + ".name", absl::StrCat(at.words, ": the name is taken by an earlier ", it->second));
    }
  }

  bool CheckFrames(const Place& at, bool given, const FrameRange& range) {
    if (!given) {
      faults_.Add(at.path, absl::StrCat(at.words, ": missing, give first and last"));
      return false;
    }
    for (int32_t f : {range.first(), range.last()}) {
      if (f < -kMaxFrame || f > kMaxFrame) {
        faults_.Add(at.path,
                    absl::StrCat(at.words, ": ", f, " is out of range, allowed ", -kMaxFrame, " to ", kMaxFrame));
        return false;
      }
    }
    if (range.last() < range.first()) {
      faults_.Add(at.path, absl::StrCat(at.words, ": last ", range.last(), " is before first ", range.first()));
      return false;
    }
    const int64_t count = int64_t{range.last()} - range.first() + 1;
    if (count > limits_.frames) {
      faults_.Add(at.path, absl::StrCat(at.words, ": ", range.first(), " to ", range.last(), " are ", count,
                                        " frames, allowed ", limits_.frames));
      return false;
    }
    return true;
  }

  void CheckFormat() {
    if (!stack_.has_format()) {
      if (stack_.plate_size() == 0) faults_.Add("format", "format: missing, and there is no plate to take it from");
      return;
    }
    const uint64_t w = stack_.format().width(), h = stack_.format().height();
    if (w < 1 || h < 1 || w > kMaxSide || h > kMaxSide || w * h > static_cast<uint64_t>(limits_.format_pixels)) {
      faults_.Add("format", absl::StrCat("format: ", w, " x ", h, " is out of range, allowed 1 to ", kMaxSide,
                                         " a side and ", limits_.format_pixels, " pixels"));
    }
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
    if (plate.has_frames()) CheckFrames(at.Field("frames"), true, plate.frames());
  }

  void CheckMask(int index, const PassCheck& passes) {
    const Mask& mask = stack_.mask(index);
    const Place at = PlaceOf("mask", index, mask.name());
    CheckSharedName(at, mask.name());
    if (mask.shape_size() == 0) faults_.Add(at.path, absl::StrCat(at.words, ": has no shape"));
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
                                             " is a still picture, nothing moves in it"));
    }
    for (const auto& [field, given] : {std::pair{"shutter", mask.has_shutter()}, {"track", mask.has_track()}}) {
      if (!given) continue;
      const Place other = at.Field(field);
      faults_.Add(other.path, absl::StrCat(other.words, ": doesn't go with follow, give one of them"));
    }
    for (int i = 0; i < mask.shape_size() && !faults_.full(); ++i) CheckDrawn(at.Item("shape", i), mask.shape(i));
  }

  // Of a followed shape: it must be known when it was drawn.
  void CheckDrawn(const Place& at, const Mask::Shape& shape) {
    if (shape.has_path()) {
      const Place path = at.Field("path");
      faults_.Add(path.path,
                  absl::StrCat(path.words, ": at which frame was it drawn? A followed shape needs key frames: ",
                               "at { frame: ", stack_.frames().first(), " path: ... }"));
    }
    for (int i = 0; i < shape.at_size(); ++i) {
      const int32_t frame = shape.at(i).frame();
      if (frame >= stack_.frames().first() && frame <= stack_.frames().last()) continue;
      faults_.Add(absl::StrCat(at.path, ".at[", i, "].frame"),
                  absl::StrCat(at.words, ": key frame ", frame, " is out of range, allowed ", stack_.frames().first(),
                               " to ", stack_.frames().last(), " for a followed shape"));
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
      faults_.Add(at.path, absl::StrCat(at.words, ": draws nothing"));
      return std::nullopt;
    }
    return *std::move(path);
  }

  void CheckShape(const Place& at, const Mask::Shape& shape) {
    if (shape.has_path() == (shape.at_size() > 0)) {
      faults_.Add(at.path,
                  absl::StrCat(at.words, shape.has_path() ? ": has both a path and key frames, give one of them"
                                                          : ": has no path"));
      return;
    }
    if (shape.has_path()) CheckPath(at.Field("path"), shape.path());
    std::string commands;
    for (int i = 0; i < shape.at_size() && !faults_.full(); ++i) {
      const Mask::KeyFrame& k = shape.at(i);
      const std::string key = absl::StrCat(at.path, ".at[", i, "]");
      if (i > 0 && k.frame() <= shape.at(i - 1).frame()) {
        faults_.Add(key + ".frame", absl::StrCat(at.words, ": key frame ", k.frame(), " comes after ",
                                                 shape.at(i - 1).frame(), ", key frames must ascend"));
        return;
      }
      const Place here{key + ".path", absl::StrCat(at.words, " at frame ", k.frame(), " path")};
      const auto path = CheckPath(here, k.path());
      if (!path) return;
      if (i == 0) commands = path->commands;
      if (path->commands == commands) continue;
      faults_.Add(here.path,
                  absl::StrCat(here.words, ": draws ", Shortened(path->commands), ", key frame ", shape.at(0).frame(),
                               " draws ", Shortened(commands), "; the commands must be the same"));
      return;
    }
    CheckNumber(at.Field("feather"), shape.feather(), ShapeTraits("feather"), &faults_);
    CheckNumber(at.Field("opacity"), shape.opacity(), ShapeTraits("opacity"), &faults_);
  }

  static std::string Shortened(const std::string& commands) {
    return commands.size() <= 24 ? commands : absl::StrCat(commands.substr(0, 24), "... (", commands.size(), ")");
  }
  static const ParamTraits& ShapeTraits(const char* field) {
    return TraitsOf(Mask::Shape::descriptor()->FindFieldByName(field));
  }

  void CheckFrom(const Place& at, const std::string& from, const PassCheck& passes) {
    const Place here = at.Field("from");
    if (from.empty()) {
      faults_.Add(at.path, absl::StrCat(here.words, ": missing, name a pass, plate or mask"));
    } else {
      passes.CheckName(here, from);
    }
  }

  void CheckDeliverable(int index, const PassCheck& passes) {
    const Deliverable& d = stack_.deliver(index);
    const Place at = PlaceOf("deliver", index, d.name());
    if (CheckName(at, d.name()) && !delivered_.try_emplace(d.name(), index).second) {
      faults_.Add(at.path + ".name", absl::StrCat(at.words, ": the name is taken by an earlier deliver"));
    }
    CheckFrom(at, d.from(), passes);
    bool frames_good = true;
    if (d.has_frames()) frames_good = CheckDeliveredFrames(at.Field("frames"), d.frames());
    const FrameRange& frames = d.has_frames() ? d.frames() : stack_.frames();
    CheckDeliveredFiles(at, index, frames_good && frames.last() > frames.first());
    CheckLayers(at, d, passes);
  }

  bool CheckDeliveredFrames(const Place& at, const FrameRange& range) {
    if (!CheckFrames(at, true, range)) return false;
    if (range.first() >= stack_.frames().first() && range.last() <= stack_.frames().last()) return true;
    faults_.Add(at.path,
                absl::StrCat(at.words, ": ", range.first(), " to ", range.last(), " are not all in the stack's ",
                             stack_.frames().first(), " to ", stack_.frames().last()));
    return false;
  }

  void CheckDeliveredFiles(const Place& at, int index, bool many) {
    const Deliverable& d = stack_.deliver(index);
    const Place here = at.Field("files");
    const auto pattern = ParsePattern(d.files());
    if (!pattern.ok()) {
      faults_.Add(d.files().empty() ? at.path : here.path, absl::StrCat(here.words, ": ", pattern.status().message()));
      return;
    }
    if (!FileTypeOf(d.files())) {
      faults_.Add(here.path,
                  absl::StrCat(here.words, ": ", Quoted(d.files()), " must end in .exr, .dpx, .tif or .png"));
    }
    if (pattern->still() && many) {
      faults_.Add(here.path, absl::StrCat(here.words, ": ", Quoted(d.files()),
                                          " gives all frames one name, put %04d where the frame goes"));
    }
    auto [it, is_new] = written_.try_emplace(d.files(), index);
    if (!is_new) {
      faults_.Add(here.path, absl::StrCat(here.words, ": deliver ", Quoted(stack_.deliver(it->second).name()),
                                          " writes the same files"));
    }
  }

  void CheckLayers(const Place& at, const Deliverable& d, const PassCheck& passes) {
    if (d.layer_size() > 0 && FileTypeOf(d.files()).value_or(DeliverFile::EXR) != DeliverFile::EXR) {
      faults_.Add(absl::StrCat(at.path, ".layer[0]"), absl::StrCat(at.words, ": layers are for .exr only"));
      return;
    }
    absl::flat_hash_map<std::string, int> seen;
    for (int i = 0; i < d.layer_size() && !faults_.full(); ++i) {
      const auto& layer = d.layer(i);
      Place here = at.Item("layer", i);
      if (CheckName(here, layer.name())) {
        here.words = absl::StrCat(at.words, " layer ", Quoted(layer.name()));
        if (!seen.try_emplace(layer.name(), i).second) {
          faults_.Add(here.path + ".name", absl::StrCat(here.words, ": the name is taken by an earlier layer"));
        }
      }
      CheckFrom(here, layer.from(), passes);
    }
  }

  const Stack& stack_;
  const Limits& limits_;
  const NameTable names_;
  Faults faults_;
  absl::flat_hash_map<std::string, std::string> taken_;
  absl::flat_hash_map<std::string, int> delivered_, written_;
};

}  // namespace

std::vector<StackError> Validate(const Stack& stack, const Limits& limits) { return StackCheck(stack, limits).Check(); }

}  // namespace selvage::plan
