#include "server/plan/validate_deliver.h"

#include "absl/strings/str_cat.h"
#include "server/plan/file_type.h"

namespace selvage::plan {

DeliverCheck::DeliverCheck(const Stack& stack, const Limits& limits, const PassCheck& passes, Faults* faults)
    : stack_(stack), limits_(limits), passes_(passes), faults_(faults) {
  for (const Plate& plate : stack.plate()) {
    if (!ParsePattern(plate.files()).ok()) continue;
    owners_.push_back({absl::StrCat("plate ", Quoted(plate.name())), FileNames(plate.files())});
  }
}

void DeliverCheck::Check(int index) {
  const Deliverable& d = stack_.deliver(index);
  const Place at = PlaceOf("deliver", index, d.name());
  if (CheckName(at, d.name(), faults_) && !names_.try_emplace(d.name(), index).second) {
    faults_->Add(at.path + ".name", absl::StrCat(at.words, ": an earlier deliver has this name already"));
  }
  CheckFrom(at, d.from());
  CheckFiles(at, index, !d.has_frames() || CheckWithinShot(at.Field("frames"), d.frames()));
  CheckLayers(at, d);
  if (d.compression() != COMPRESSION_ZIP && FileTypeOf(d.files()).value_or(DeliverFile::EXR) != DeliverFile::EXR) {
    const Place here = at.Field("compression");
    faults_->Add(here.path, absl::StrCat(here.words, ": only .exr files have one"));
  }
}

void DeliverCheck::CheckFrom(const Place& at, const std::string& from) const {
  const Place here = at.Field("from");
  if (from.empty()) {
    faults_->Add(at.path, absl::StrCat(here.words, ": missing, name a pass, plate or mask"));
  } else {
    passes_.CheckName(here, from);
  }
}

bool DeliverCheck::CheckWithinShot(const Place& at, const FrameRange& range) const {
  const FrameRange& shot = stack_.frames();
  if (!CheckFrames(at, true, range, limits_, faults_)) return false;
  if (range.first() >= shot.first() && range.last() <= shot.last()) return true;
  faults_->Add(at.path, absl::StrCat(at.words, ": ", range.first(), " to ", range.last(),
                                     " is not within the stack's frames ", shot.first(), " to ", shot.last()));
  return false;
}

void DeliverCheck::CheckFiles(const Place& at, int index, bool frames_good) {
  const Deliverable& d = stack_.deliver(index);
  const Place here = at.Field("files");
  const auto pattern = ParsePattern(d.files());
  if (!pattern.ok()) {
    faults_->Add(d.files().empty() ? at.path : here.path, absl::StrCat(here.words, ": ", pattern.status().message()));
    return;
  }
  if (const absl::Status braces = CheckBraces(d.files()); !braces.ok()) {
    faults_->Add(here.path, absl::StrCat(here.words, ": ", braces.message()));
  }
  if (!FileTypeOf(d.files())) {
    faults_->Add(here.path, absl::StrCat(here.words, ": ", Quoted(d.files()), " must end in .exr, .dpx, .tif or .png"));
  }
  const FrameRange& range = d.has_frames() ? d.frames() : stack_.frames();
  const Frames frames{range.first(), range.last()};
  if (pattern->still() && frames_good && frames.size() > 1) {
    faults_->Add(here.path, absl::StrCat(here.words, ": ", Quoted(d.files()),
                                         " gives every frame the same file, write %04d where the frame number goes"));
  }
  if (!frames.empty()) CheckClashes(here, index, frames);
}

void DeliverCheck::CheckClashes(const Place& at, int index, const Frames& frames) {
  const Deliverable& d = stack_.deliver(index);
  FileNames files(d.files());
  for (const Owner& owner : owners_) {
    const auto frame = files.ClashAt(frames, owner.files, &looks_);
    if (!frame) continue;
    faults_->Add(at.path, absl::StrCat(at.words, ": ", Quoted(files.At(*frame)), " is also a file of ", owner.words,
                                       " and would be overwritten: write to another folder or name"));
    break;
  }
  owners_.push_back({absl::StrCat("deliver ", Quoted(d.name())), std::move(files)});
}

void DeliverCheck::CheckLayers(const Place& at, const Deliverable& d) const {
  if (d.layer_size() > 0 && FileTypeOf(d.files()).value_or(DeliverFile::EXR) != DeliverFile::EXR) {
    faults_->Add(absl::StrCat(at.path, ".layer[0]"), absl::StrCat(at.words, ": only .exr files can have layers"));
    return;
  }
  absl::flat_hash_map<std::string, int> seen;
  for (int i = 0; i < d.layer_size() && !faults_->full(); ++i) {
    const auto& layer = d.layer(i);
    Place here = at.Item("layer", i);
    if (CheckName(here, layer.name(), faults_)) {
      here.words = absl::StrCat(at.words, " layer ", Quoted(layer.name()));
      if (!seen.try_emplace(layer.name(), i).second) {
        faults_->Add(here.path + ".name", absl::StrCat(here.words, ": an earlier layer has this name already"));
      }
    }
    CheckFrom(here, layer.from());
  }
}

}  // namespace selvage::plan
