#include "server/plan/values_check.h"

#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "google/protobuf/unknown_field_set.h"

namespace selvage::plan {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

// Where traits name no range (the points of a curve, a screen colour): what
// binary16 can hold, and some way below zero.
constexpr double kLeast = -65504, kMost = 65504;
constexpr uint32_t kMaxSide = 65'536;
constexpr uint32_t kLeastNoiseBox = 8;

double LeastOf(const ParamTraits& traits) { return traits.has_min() ? traits.min() : kLeast; }
double MostOf(const ParamTraits& traits) { return traits.has_max() ? traits.max() : kMost; }

// NaN is not.
bool IsAllowed(double v, const ParamTraits& traits) { return v >= LeastOf(traits) && v <= MostOf(traits); }

// `path` is where the fault is reported, `words` what it is called.
void CheckValue(const std::string& path, const std::string& words, double v, const ParamTraits& traits,
                Faults* faults) {
  if (IsAllowed(v, traits)) return;
  if (!std::isfinite(v)) return faults->Add(path, absl::StrCat(words, ": ", v, " is not a finite number"));
  faults->Add(path,
              absl::StrCat(words, ": ", v, " is out of range, allowed ", LeastOf(traits), " to ", MostOf(traits)));
}

// False where frames do not ascend.
template <class KeyFrames>
bool CheckAscending(const Place& at, const KeyFrames& frames, Faults* faults) {
  for (int i = 1; i < frames.size(); ++i) {
    if (frames.Get(i).frame() > frames.Get(i - 1).frame()) continue;
    faults->Add(absl::StrCat(at.path, ".at[", i, "].frame"),
                absl::StrCat(at.words, ": ", KeyFrameMisplaced(frames.Get(i).frame(), frames.Get(i - 1).frame())));
    return false;
  }
  return true;
}

std::string AtFrame(const Place& at, int32_t frame) { return absl::StrCat(at.words, " at frame ", frame); }

void CheckBox(const Place& at, const Stack& stack, const SampleBox& box, Measure measure, Faults* faults) {
  const uint32_t least = measure == NOISE_PROFILE ? kLeastNoiseBox : 1;
  if (box.width() < least || box.height() < least || box.width() > kMaxSide || box.height() > kMaxSide) {
    faults->Add(at.path, absl::StrCat(at.words, ": a box of ", box.width(), " x ", box.height(),
                                      " is out of range, allowed ", least, " to ", kMaxSide, " a side"));
    return;
  }
  if (box.has_frame() && (box.frame() < stack.frames().first() || box.frame() > stack.frames().last())) {
    faults->Add(absl::StrCat(at.path, ".frame"),
                absl::StrCat(at.words, " frame: ", box.frame(), " is out of range, allowed ", stack.frames().first(),
                             " to ", stack.frames().last()));
  }
  if (!stack.has_format()) return;
  const Format& f = stack.format();
  if (box.x() < 0 || box.y() < 0 || int64_t{box.x()} + box.width() > f.width() ||
      int64_t{box.y()} + box.height() > f.height()) {
    faults->Add(at.path, absl::StrCat(at.words, ": the box at ", box.x(), ", ", box.y(), " of ", box.width(), " x ",
                                      box.height(), " reaches outside the picture of ", f.width(), " x ", f.height()));
  }
}

class ValueWalk {
 public:
  ValueWalk(const Stack& stack, const CheckInput& check_input, Faults* faults)
      : stack_(stack), check_input_(check_input), faults_(faults) {}

  void Walk(const Place& at, const Message& m) {
    const Reflection* r = m.GetReflection();
    std::vector<const FieldDescriptor*> fields;
    for (int i = 0; i < m.GetDescriptor()->field_count(); ++i) fields.push_back(m.GetDescriptor()->field(i));
    std::sort(fields.begin(), fields.end(), [](const auto* a, const auto* b) { return a->number() < b->number(); });
    for (const FieldDescriptor* f : fields) {
      if (faults_->full()) return;
      if (f->is_repeated()) {
        WalkList(at, m, f);
      } else if (r->HasField(m, f)) {
        WalkField(at.Field(f->name()), m, f);
      } else if (TraitsOf(f).required()) {
        if (TraitsOf(f).input_size() > 0) {
          check_input_(at.Field(f->name()), TraitsOf(f), "");
        } else {
          faults_->Add(at.path, absl::StrCat(at.Field(f->name()).words, ": missing, it must be set"));
        }
      }
    }
  }

 private:
  void WalkList(const Place& at, const Message& m, const FieldDescriptor* f) {
    const Reflection* r = m.GetReflection();
    const int count = r->FieldSize(m, f);
    for (int i = 0; i < count && !faults_->full(); ++i) {
      const Place item = at.Item(f->name(), i);
      if (TraitsOf(f).input_size() > 0) {
        check_input_(item, TraitsOf(f), r->GetRepeatedString(m, f, i));
      } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
        Walk(item, r->GetRepeatedMessage(m, f, i));
      } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE) {
        CheckValue(item.path, item.words, r->GetRepeatedDouble(m, f, i), TraitsOf(f), faults_);
      }
    }
  }

  void WalkField(const Place& at, const Message& m, const FieldDescriptor* f) {
    const Reflection* r = m.GetReflection();
    const ParamTraits& traits = TraitsOf(f);
    switch (f->cpp_type()) {
      case FieldDescriptor::CPPTYPE_STRING:
        if (traits.input_size() > 0) check_input_(at, traits, r->GetString(m, f));
        break;
      case FieldDescriptor::CPPTYPE_UINT32:
        CheckValue(at.path, at.words, r->GetUInt32(m, f), traits, faults_);
        break;
      case FieldDescriptor::CPPTYPE_INT32:
        CheckValue(at.path, at.words, r->GetInt32(m, f), traits, faults_);
        break;
      case FieldDescriptor::CPPTYPE_DOUBLE:
        CheckValue(at.path, at.words, r->GetDouble(m, f), traits, faults_);
        break;
      case FieldDescriptor::CPPTYPE_MESSAGE: {
        const Message& sub = r->GetMessage(m, f);
        if (f->message_type() == Number::descriptor()) {
          CheckNumber(at, static_cast<const Number&>(sub), traits, faults_);
        } else if (f->message_type() == Color::descriptor()) {
          CheckColor(at, static_cast<const Color&>(sub), traits, faults_);
        } else if (f->message_type() == SampleBox::descriptor()) {
          CheckBox(at, stack_, static_cast<const SampleBox&>(sub), traits.measure(), faults_);
        } else {
          Walk(at, sub);
        }
        break;
      }
      default:
        break;
    }
  }

  const Stack& stack_;
  const CheckInput& check_input_;
  Faults* faults_;
};

}  // namespace

std::string KeyFrameMisplaced(int32_t frame, int32_t before) {
  if (frame == before) return absl::StrCat("there are two key frames at frame ", frame);
  return absl::StrCat("key frame ", frame, " comes after key frame ", before, ", write them in the order of frames");
}

void CheckNumber(const Place& at, const Number& n, const ParamTraits& traits, Faults* faults) {
  if (n.has_value()) {
    if (n.at_size() > 0) {
      faults->Add(at.path, absl::StrCat(at.words, ": has both `value` and key frames (`at`), use only one of them"));
      return;
    }
    CheckValue(at.path, at.words, n.value(), traits, faults);
    return;
  }
  if (!CheckAscending(at, n.at(), faults)) return;
  for (int i = 0; i < n.at_size(); ++i) {
    const auto& k = n.at(i);
    // There may be very many: words are for those that are wrong.
    if (IsAllowed(k.value(), traits)) continue;
    CheckValue(absl::StrCat(at.path, ".at[", i, "].value"), AtFrame(at, k.frame()), k.value(), traits, faults);
    return;
  }
}

void CheckColor(const Place& at, const Color& c, const ParamTraits& traits, Faults* faults) {
  const bool given = c.has_r() || c.has_g() || c.has_b();
  if (given && c.at_size() > 0) {
    faults->Add(at.path, absl::StrCat(at.words, ": has both r, g, b and key frames (`at`), use only one of them"));
    return;
  }
  if (c.at_size() == 0 && !traits.has_default_value() && !(c.has_r() && c.has_g() && c.has_b())) {
    faults->Add(at.path, absl::StrCat(at.words, ": needs all of r, g and b"));
    return;
  }
  const double rgb[3] = {c.r(), c.g(), c.b()};
  const bool has[3] = {c.has_r(), c.has_g(), c.has_b()};
  const char* names[3] = {"r", "g", "b"};
  for (int i = 0; i < 3; ++i) {
    const Place part = at.Field(names[i]);
    if (has[i]) CheckValue(part.path, part.words, rgb[i], traits, faults);
  }
  if (!CheckAscending(at, c.at(), faults)) return;
  for (int i = 0; i < c.at_size(); ++i) {
    const auto& k = c.at(i);
    const double at_rgb[3] = {k.r(), k.g(), k.b()};
    for (int j = 0; j < 3; ++j) {
      if (IsAllowed(at_rgb[j], traits)) continue;
      CheckValue(absl::StrCat(at.path, ".at[", i, "].", names[j]), absl::StrCat(AtFrame(at, k.frame()), " ", names[j]),
                 at_rgb[j], traits, faults);
      return;
    }
  }
}

void CheckValues(const Place& at, const Stack& stack, const Message& params, const CheckInput& check_input,
                 Faults* faults) {
  ValueWalk(stack, check_input, faults).Walk(at, params);
}

namespace {

// Calls `visit` for each part of a message that is one, with its field and index (-1 for
// a part that is no list), until it returns false.
template <class Visit>
bool EachPart(const Message& m, const Visit& visit) {
  const Reflection* r = m.GetReflection();
  std::vector<const FieldDescriptor*> fields;
  r->ListFields(m, &fields);
  for (const FieldDescriptor* f : fields) {
    const int count = f->is_repeated() ? r->FieldSize(m, f) : 1;
    for (int i = 0; i < count; ++i) {
      if (!visit(f, f->is_repeated() ? i : -1)) return false;
    }
  }
  return true;
}

const Message& PartOf(const Message& m, const FieldDescriptor* f, int index) {
  const Reflection* r = m.GetReflection();
  return index < 0 ? r->GetMessage(m, f) : r->GetRepeatedMessage(m, f, index);
}

int EnumOf(const Message& m, const FieldDescriptor* f, int index) {
  const Reflection* r = m.GetReflection();
  return index < 0 ? r->GetEnumValue(m, f) : r->GetRepeatedEnumValue(m, f, index);
}

bool AllKnown(const Message& m) {
  if (m.GetReflection()->GetUnknownFields(m).field_count() > 0) return false;
  return EachPart(m, [&](const FieldDescriptor* f, int i) {
    if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) return AllKnown(PartOf(m, f, i));
    if (f->cpp_type() != FieldDescriptor::CPPTYPE_ENUM) return true;
    return f->enum_type()->FindValueByNumber(EnumOf(m, f, i)) != nullptr;
  });
}

void NameUnknown(const std::string& path, const Message& m, Faults* faults) {
  const auto& unknown = m.GetReflection()->GetUnknownFields(m);
  if (unknown.field_count() > 0) {
    faults->Add(path, absl::StrCat(path.empty() ? "the stack" : path, " has a field, number ",
                                   unknown.field(0).number(), ", that this version doesn't know"));
  }
  EachPart(m, [&](const FieldDescriptor* f, int i) {
    const std::string at =
        absl::StrCat(path, path.empty() ? "" : ".", f->name(), i < 0 ? "" : absl::StrCat("[", i, "]"));
    if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
      NameUnknown(at, PartOf(m, f, i), faults);
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_ENUM) {
      const int value = EnumOf(m, f, i);
      if (f->enum_type()->FindValueByNumber(value) == nullptr) {
        faults->Add(at, absl::StrCat(at, ": ", value, " is not a value that this version knows"));
      }
    }
    return !faults->full();
  });
}

}  // namespace

void CheckKnown(const std::string& path, const Message& m, Faults* faults) {
  // Paths are for what is found: most often nothing.
  if (!AllKnown(m)) NameUnknown(path, m, faults);
}

}  // namespace selvage::plan
