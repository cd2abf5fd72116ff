#include "server/plan/resolve.h"

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "server/plan/canonical.h"
#include "server/plan/key_frames.h"

namespace selvage::plan {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

// In all that follows `written` is a message as its author wrote it, and what is
// changed a copy of it without its key frames.

void ResolveNumber(const ParamTraits& traits, int32_t frame, const Number& written, Number* n) {
  const bool given = written.has_value() || written.at_size() > 0;
  const double v = NumberAt(written, frame, traits.default_value());
  n->Clear();
  if (given || traits.has_default_value()) n->set_value(v);
}

void ResolveColor(const ParamTraits& traits, int32_t frame, const Color& written, Color* c) {
  if (written.at_size() > 0) {
    const Between p = FindBetween(written.at(), written.ease(), frame);
    const Color::KeyFrame &a = written.at(p.before), &b = written.at(p.after);
    c->Clear();
    c->set_r(Mix(a.r(), b.r(), p.u));
    c->set_g(Mix(a.g(), b.g(), p.u));
    c->set_b(Mix(a.b(), b.b(), p.u));
    return;
  }
  c->clear_ease();
  const double otherwise = traits.default_value();
  if (c->has_r() || traits.has_default_value()) c->set_r((c->has_r() ? c->r() : otherwise) + 0.0);
  if (c->has_g() || traits.has_default_value()) c->set_g((c->has_g() ? c->g() : otherwise) + 0.0);
  if (c->has_b() || traits.has_default_value()) c->set_b((c->has_b() ? c->b() : otherwise) + 0.0);
}

void ResolveMessage(int32_t frame, const std::string& prefix, const Message& written, Message* m);

void FillScalarDefault(const FieldDescriptor* f, const ParamTraits& traits, Message* m) {
  const Reflection* r = m->GetReflection();
  if (f->cpp_type() == FieldDescriptor::CPPTYPE_UINT32) {
    r->SetUInt32(m, f, static_cast<uint32_t>(traits.default_value()));
  } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_INT32) {
    r->SetInt32(m, f, static_cast<int32_t>(traits.default_value()));
  } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE) {
    r->SetDouble(m, f, traits.default_value());
  }
}

// A singular message: values, a box, or parameters in their turn.
void ResolveSubMessage(const FieldDescriptor* f, int32_t frame, const std::string& prefix, const Message& written,
                       Message* m) {
  const Reflection* r = m->GetReflection();
  const ParamTraits& traits = TraitsOf(f);
  const bool is_number = f->message_type() == Number::descriptor(), is_color = f->message_type() == Color::descriptor();
  if (!r->HasField(*m, f)) {
    // A member of a oneof is chosen or not: there is nothing to fill in. Values
    // without a default are the operator's affair.
    if (f->real_containing_oneof() != nullptr || traits.measure() != MEASURE_NONE) return;
    if ((is_number || is_color) && !traits.has_default_value()) return;
    if (f->message_type() == SampleBox::descriptor() || traits.may_be_unset()) return;
  }
  Message* sub = r->MutableMessage(m, f);
  const Message& sub_written = r->GetMessage(written, f);
  if (is_number) {
    ResolveNumber(traits, frame, static_cast<const Number&>(sub_written), static_cast<Number*>(sub));
  } else if (is_color) {
    ResolveColor(traits, frame, static_cast<const Color&>(sub_written), static_cast<Color*>(sub));
  } else if (traits.measure() != MEASURE_NONE) {
    sub->Clear();
  } else {
    ResolveMessage(frame, absl::StrCat(prefix, f->name(), "."), sub_written, sub);
  }
}

void ResolveField(const FieldDescriptor* f, int32_t frame, const std::string& prefix, const Message& written,
                  Message* m) {
  const Reflection* r = m->GetReflection();
  const ParamTraits& traits = TraitsOf(f);
  if (f->is_repeated()) {
    for (int i = 0; i < r->FieldSize(*m, f); ++i) {
      const std::string at = absl::StrCat(prefix, f->name(), "[", i, "]");
      if (traits.input_size() > 0) {
        r->SetRepeatedString(m, f, i, at);
      } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
        ResolveMessage(frame, absl::StrCat(at, "."), r->GetRepeatedMessage(written, f, i),
                       r->MutableRepeatedMessage(m, f, i));
      }
    }
  } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
    ResolveSubMessage(f, frame, prefix, written, m);
  } else if (!r->HasField(*m, f)) {
    const bool optional = f->has_presence() && f->real_containing_oneof() == nullptr;
    if (optional && traits.has_default_value()) FillScalarDefault(f, traits, m);
  } else if (traits.input_size() > 0) {
    r->SetString(m, f, absl::StrCat(prefix, f->name()));
  } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE) {
    r->SetDouble(m, f, r->GetDouble(*m, f) + 0.0);
  }
}

void ResolveMessage(int32_t frame, const std::string& prefix, const Message& written, Message* m) {
  const google::protobuf::Descriptor* d = m->GetDescriptor();
  for (int i = 0; i < d->field_count(); ++i) ResolveField(d->field(i), frame, prefix, written, m);
  // A screen that says nothing is a green one.
  if (d == Screen::descriptor()) {
    auto* screen = static_cast<Screen*>(m);
    if (screen->from_case() == Screen::FROM_NOT_SET) screen->set_hue(Screen::GREEN);
  }
}

// Each part of a message that is one.
template <class Visit>
void EachSubMessage(Message* m, const Visit& visit) {
  const Reflection* r = m->GetReflection();
  std::vector<const FieldDescriptor*> fields;
  r->ListFields(*m, &fields);
  for (const FieldDescriptor* f : fields) {
    if (f->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) continue;
    const int count = f->is_repeated() ? r->FieldSize(*m, f) : 1;
    for (int i = 0; i < count; ++i)
      visit(f->is_repeated() ? r->MutableRepeatedMessage(m, f, i) : r->MutableMessage(m, f));
  }
}

void DropKeyFrames(Message* m) {
  if (m->GetDescriptor() == Number::descriptor()) return static_cast<Number*>(m)->clear_at();
  if (m->GetDescriptor() == Color::descriptor()) return static_cast<Color*>(m)->clear_at();
  EachSubMessage(m, DropKeyFrames);
}

Step WithoutKeyFrames(const Step& step) {
  Step bare = step;
  DropKeyFrames(MutableParamsOf(&bare));
  // A copy has no room for what was dropped.
  return Step(static_cast<const Step&>(bare));
}

Step ResolveBare(const Step& written, Step bare, int32_t frame) {
  ResolveMessage(frame, "", ParamsOf(written), MutableParamsOf(&bare));
  return bare;
}

// What a resolved step adds to the recipe.
std::string BytesOf(const Step& step) {
  CanonicalWriter w("selvage step");
  const Operator& o = *OperatorOf(step);
  w.U32(static_cast<uint32_t>(o.field->number()));
  w.U32(o.traits.revision());
  w.U8(o.traits.full_precision());
  // Validation let no NaN and no unknown field through, and resolving makes
  // none: an error here would be ours, and then no two recipes may be equal.
  if (auto status = w.Message(ParamsOf(step)); !status.ok()) w.Bytes(step.SerializeAsString());
  return w.bytes();
}

}  // namespace

double Eased(Ease ease, double u) {
  switch (ease) {
    case SMOOTH:
      return u * u * (3 - 2 * u);
    case HOLD:
      return 0;
    default:
      return u;
  }
}

double NumberAt(const Number& number, double frame, double otherwise) {
  if (number.has_value()) return number.value() + 0.0;
  if (number.at_size() == 0) return otherwise + 0.0;
  const Between p = FindBetween(number.at(), number.ease(), frame);
  return Mix(number.at(p.before).value(), number.at(p.after).value(), p.u);
}

Step ResolveStep(const Step& step, int32_t frame) { return ResolveBare(step, WithoutKeyFrames(step), frame); }

bool HasKeyFrames(const Message& m) {
  if (m.GetDescriptor() == Number::descriptor()) return static_cast<const Number&>(m).at_size() > 0;
  if (m.GetDescriptor() == Color::descriptor()) return static_cast<const Color&>(m).at_size() > 0;
  const Reflection* r = m.GetReflection();
  std::vector<const FieldDescriptor*> fields;
  r->ListFields(m, &fields);
  for (const FieldDescriptor* f : fields) {
    if (f->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) continue;
    const int count = f->is_repeated() ? r->FieldSize(m, f) : 1;
    for (int i = 0; i < count; ++i) {
      if (HasKeyFrames(f->is_repeated() ? r->GetRepeatedMessage(m, f, i) : r->GetMessage(m, f))) return true;
    }
  }
  return false;
}

Digest DigestOf(const std::vector<Step>& steps) {
  CanonicalWriter w("selvage steps");
  w.U32(static_cast<uint32_t>(steps.size()));
  for (const Step& step : steps) w.Bytes(BytesOf(step));
  return w.Sha();
}

StepResolver::StepResolver(std::vector<Step> steps) {
  bool animated = false;
  for (Step& s : steps) {
    Entry& entry = entries_.emplace_back();
    entry.animated = HasKeyFrames(ParamsOf(s));
    animated |= entry.animated;
    entry.bare = WithoutKeyFrames(s);
    entry.written = std::move(s);
    if (!entry.animated) entry.bytes = BytesOf(ResolveBare(entry.written, entry.bare, 0));
  }
  if (animated) return;
  resolved_ = At(0);
  digest_ = DigestOf(*resolved_);
}

std::shared_ptr<const std::vector<Step>> StepResolver::At(int32_t frame) const {
  if (resolved_ != nullptr) return resolved_;
  auto all = std::make_shared<std::vector<Step>>();
  all->reserve(entries_.size());
  for (const Entry& entry : entries_) all->push_back(ResolveBare(entry.written, entry.bare, frame));
  return all;
}

Digest StepResolver::DigestAt(int32_t frame) const {
  if (resolved_ != nullptr) return digest_;
  CanonicalWriter w("selvage steps");
  w.U32(static_cast<uint32_t>(entries_.size()));
  for (const Entry& entry : entries_) {
    w.Bytes(entry.animated ? BytesOf(ResolveBare(entry.written, entry.bare, frame)) : entry.bytes);
  }
  return w.Sha();
}

}  // namespace selvage::plan
