#include "server/plan/target_step.h"

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "proto/version.h"
#include "server/plan/faults.h"
#include "server/plan/file_type.h"
#include "server/plan/frames.h"
#include "server/plan/proxy.h"
#include "server/plan/values_check.h"

namespace selvage::plan {
namespace {

class LookCheck {
 public:
  LookCheck(const Stack& stack, const NameTable& names, const std::vector<Kind>& kinds, const Target& target)
      : stack_(stack), names_(names), kinds_(kinds), source_(target.source), frame_(target.frame) {}

  // Fills in what is left out; faults of the rest.
  std::vector<StackError> Complete(Step* step) {
    const NameRef ref = names_.Find(source_);
    const Frames shot{stack_.frames().first(), stack_.frames().last()};
    if (ref.type == NameRef::kNone) return Refuse(names_.Unknown(source_));
    if (!shot.Contains(frame_)) {
      return Refuse(absl::StrCat("frame ", frame_, " is out of range, allowed ", shot.first, " to ", shot.last));
    }
    const Kind kind = KindOf(stack_, kinds_, ref);
    if (step->has_look_picture()) {
      const std::string refusal = CompletePicture(kind, step->mutable_look_picture());
      if (!refusal.empty()) return Refuse(refusal);
    } else if (step->has_measure_matte()) {
      CompleteMeasure(step->mutable_measure_matte());
    }
    Check(kind, *step);
    return faults_.Take();
  }

 private:
  std::vector<StackError> Refuse(std::string message) {
    faults_.Add("", std::move(message));
    return faults_.Take();
  }

  // The first plate that is a picture.
  std::string FirstPicture() const {
    for (const Plate& p : stack_.plate()) {
      if (KindOf(p.alpha()) == OPAQUE) return p.name();
    }
    return "";
  }

  // Returns what is wrong with it.
  std::string CompletePicture(Kind kind, LookPicture* look) const {
    const bool behind = look->as() == LookPicture::AS_PLATE || look->as() == LookPicture::AS_WIPE;
    if (behind && look->behind().empty()) look->set_behind(FirstPicture());
    const bool cuts_out = kind == MATTE && look->as() != LookPicture::AS_MATTE;
    if (cuts_out && look->color().empty()) look->set_color(FirstPicture());
    if ((behind || look->as() == LookPicture::AS_BACKGROUND) && look->behind().empty()) {
      return absl::StrCat("this look needs a picture to put behind it: --background NAME", Pictures());
    }
    if (cuts_out && look->color().empty()) {
      return absl::StrCat("\"", source_, "\" is a matte: name the picture that it cuts out, or look at it as a matte");
    }
    return "";
  }

  // " (here: meadow, dusk)"
  std::string Pictures() const {
    std::string names;
    for (const Plate& p : stack_.plate()) {
      if (KindOf(p.alpha()) == OPAQUE) absl::StrAppend(&names, names.empty() ? " (here: " : ", ", p.name());
    }
    return names.empty() ? "" : names + ")";
  }

  // The plate at the beginning of a pass, if it is a picture; else the first one.
  std::string PictureUnder(std::string name) const {
    NameRef ref = names_.Find(name);
    for (; ref.type == NameRef::kPass; ref = names_.Find(name)) name = stack_.pass(ref.index).from();
    return KindOf(stack_, kinds_, ref) == OPAQUE ? name : FirstPicture();
  }

  void CompleteMeasure(MeasureMatte* measure) const {
    if (measure->plate().empty()) measure->set_plate(PictureUnder(source_));
    // Without motion there is nothing to compare with.
    if (measure->plate().empty()) measure->set_window(0);
  }

  void Check(Kind kind, const Step& step) {
    const OpTraits& traits = OperatorOf(step)->traits;
    if (TakenAs(traits.takes(), kind) == KIND_UNSPECIFIED) {
      faults_.Add("", absl::StrCat(Quoted(source_), " ", KindMisfit(traits.takes(), kind)));
    }
    CheckKnown("", ParamsOf(step), &faults_);
    CheckValues(
        {"", ""}, stack_, ParamsOf(step),
        [&](const Place& at, const ParamTraits& input, const std::string& name) { CheckInput(at, input, name); },
        &faults_);
  }

  void CheckInput(const Place& at, const ParamTraits& input, const std::string& name) {
    const NameRef other = names_.Find(name);
    const Kind given = KindOf(stack_, kinds_, other);
    if (name.empty()) {
      faults_.Add("", absl::StrCat(at.words, ": missing, name ", InputsInWords(input.input())));
    } else if (other.type == NameRef::kNone) {
      faults_.Add("", absl::StrCat(at.words, ": ", names_.Unknown(name)));
    } else if (TakenAs(input.input(), given) == KIND_UNSPECIFIED) {
      faults_.Add("", absl::StrCat(at.words, ": ", Quoted(name), " ", KindMisfit(input.input(), given)));
    }
  }

  const Stack& stack_;
  const NameTable& names_;
  const std::vector<Kind>& kinds_;
  const std::string& source_;
  const int32_t frame_;
  Faults faults_;
};

}  // namespace

Step DeliverStep(const Stack& stack, const Deliverable& d) {
  Step step;
  DeliverFile* file = step.mutable_deliver_file();
  file->set_type(*FileTypeOf(d.files()));
  file->set_encoding(d.has_encoding() ? d.encoding() : DefaultEncoding(file->type()));
  file->set_stack_name(stack.name());
  file->set_version(kVersion);
  file->set_compression(d.compression());
  if (ProxyOf(stack) > 1) file->set_reduced(ProxyOf(stack));
  for (const auto& layer : d.layer()) {
    auto* to = file->add_layer();
    to->set_name(layer.name());
    to->set_from(layer.from());
  }
  return step;
}

void DeliverSteps::Add(int32_t frame, std::shared_ptr<const FileMetadata> metadata) {
  if (metadata != nullptr) metadata_[frame] = std::move(metadata);
}

std::shared_ptr<const std::vector<Step>> DeliverSteps::At(int32_t frame) const {
  const auto metadata = metadata_.find(frame);
  if (metadata == metadata_.end()) return plain_.At(frame);
  auto steps = std::make_shared<std::vector<Step>>(*plain_.At(frame));
  *steps->front().mutable_deliver_file()->mutable_metadata() = *metadata->second;
  return steps;
}

LookStep CompleteLook(const Stack& stack, const NameTable& names, const std::vector<Kind>& kinds,
                      const Target& target) {
  LookStep look{*target.look, {}};
  look.errors = LookCheck(stack, names, kinds, target).Complete(&look.step);
  return look;
}

}  // namespace selvage::plan
