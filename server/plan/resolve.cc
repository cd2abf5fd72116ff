#include "server/plan/resolve.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "server/plan/canonical.h"

namespace selvage::plan {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

// Where a frame lies among key frames: between `before` and `after`, at `u`.
struct Place {
  int before = 0, after = 0;
  double u = 0;
};

template <class KeyFrames>
Place Find(const KeyFrames& at, Ease ease, double frame) {
  const auto next =
      std::upper_bound(at.begin(), at.end(), frame, [](double f, const auto& k) { return f < k.frame(); });
  if (next == at.begin()) return {0, 0, 0};
  const int i = static_cast<int>(next - at.begin()) - 1;
  if (next == at.end()) return {i, i, 0};
  const double span = double{static_cast<double>(next->frame())} - at.Get(i).frame();
  return {i, i + 1, Eased(ease, (frame - at.Get(i).frame()) / span)};
}

// Equal ends give exactly their value, whatever u is: a frame between two equal
// key frames has the same key as they have. + 0.0 turns -0 into +0.
double Mix(double a, double b, double u) { return (a == b ? a : (1 - u) * a + u * b) + 0.0; }

void ResolveNumber(const ParamTraits& traits, int32_t frame, Number* n) {
  const bool given = n->has_value() || n->at_size() > 0;
  const double v = NumberAt(*n, frame, traits.default_value());
  n->Clear();
  if (given || traits.has_default_value()) n->set_value(v);
}

void ResolveColor(const ParamTraits& traits, int32_t frame, Color* c) {
  if (c->at_size() > 0) {
    const Place p = Find(c->at(), c->ease(), frame);
    const Color::KeyFrame &a = c->at(p.before), &b = c->at(p.after);
    const double r = Mix(a.r(), b.r(), p.u), g = Mix(a.g(), b.g(), p.u), blue = Mix(a.b(), b.b(), p.u);
    c->Clear();
    c->set_r(r);
    c->set_g(g);
    c->set_b(blue);
    return;
  }
  c->clear_ease();
  const double otherwise = traits.default_value();
  if (c->has_r() || traits.has_default_value()) c->set_r((c->has_r() ? c->r() : otherwise) + 0.0);
  if (c->has_g() || traits.has_default_value()) c->set_g((c->has_g() ? c->g() : otherwise) + 0.0);
  if (c->has_b() || traits.has_default_value()) c->set_b((c->has_b() ? c->b() : otherwise) + 0.0);
}

void ResolveMessage(int32_t frame, const std::string& prefix, Message* m);

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
void ResolveSubMessage(const FieldDescriptor* f, int32_t frame, const std::string& prefix, Message* m) {
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
  if (is_number) {
    ResolveNumber(traits, frame, static_cast<Number*>(sub));
  } else if (is_color) {
    ResolveColor(traits, frame, static_cast<Color*>(sub));
  } else if (traits.measure() != MEASURE_NONE) {
    sub->Clear();
  } else {
    ResolveMessage(frame, absl::StrCat(prefix, f->name(), "."), sub);
  }
}

void ResolveField(const FieldDescriptor* f, int32_t frame, const std::string& prefix, Message* m) {
  const Reflection* r = m->GetReflection();
  const ParamTraits& traits = TraitsOf(f);
  if (f->is_repeated()) {
    for (int i = 0; i < r->FieldSize(*m, f); ++i) {
      const std::string at = absl::StrCat(prefix, f->name(), "[", i, "]");
      if (traits.input_size() > 0) {
        r->SetRepeatedString(m, f, i, at);
      } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
        ResolveMessage(frame, absl::StrCat(at, "."), r->MutableRepeatedMessage(m, f, i));
      }
    }
  } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
    ResolveSubMessage(f, frame, prefix, m);
  } else if (!r->HasField(*m, f)) {
    const bool optional = f->has_presence() && f->real_containing_oneof() == nullptr;
    if (optional && traits.has_default_value()) FillScalarDefault(f, traits, m);
  } else if (traits.input_size() > 0) {
    r->SetString(m, f, absl::StrCat(prefix, f->name()));
  } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE) {
    r->SetDouble(m, f, r->GetDouble(*m, f) + 0.0);
  }
}

void ResolveMessage(int32_t frame, const std::string& prefix, Message* m) {
  const google::protobuf::Descriptor* d = m->GetDescriptor();
  for (int i = 0; i < d->field_count(); ++i) ResolveField(d->field(i), frame, prefix, m);
  // A screen that says nothing is a green one.
  if (d == Screen::descriptor()) {
    auto* screen = static_cast<Screen*>(m);
    if (screen->from_case() == Screen::FROM_NOT_SET) screen->set_hue(Screen::GREEN);
  }
}

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

// Scaled, turned and shifted: x' = a x - b y + dx, y' = b x + a y + dy.
struct Placement {
  double a = 1, b = 0, dx = 0, dy = 0;
};

Placement TrackAt(const Mask::Track& track, double frame) {
  const double scale = NumberAt(track.scale(), frame, 1);
  // Whole turns are none, to the last bit.
  const double angle = std::remainder(NumberAt(track.rotate(), frame, 0), 360) * (std::numbers::pi / 180);
  Placement t{scale * std::cos(angle), scale * std::sin(angle), 0, 0};
  t.dx = NumberAt(track.x(), frame, 0) + (track.pivot_x() - (t.a * track.pivot_x() - t.b * track.pivot_y()));
  t.dy = NumberAt(track.y(), frame, 0) + (track.pivot_y() - (t.b * track.pivot_x() + t.a * track.pivot_y()));
  return t;
}

void AppendPath(const SvgPath& path, const Placement& t, ResolvedMask::Shape* shape) {
  for (const SubPath& sub : path.sub_paths) {
    auto* xy = shape->add_path()->mutable_xy();
    xy->Reserve(static_cast<int>(sub.xy.size()));
    for (size_t i = 0; i + 1 < sub.xy.size(); i += 2) {
      const double x = sub.xy[i], y = sub.xy[i + 1];
      xy->AddAlreadyReserved(t.a * x - t.b * y + t.dx + 0.0);
      xy->AddAlreadyReserved(t.b * x + t.a * y + t.dy + 0.0);
    }
  }
}

// Instants of an open shutter: powers of two, so that their mean is exact where
// all agree.
constexpr int kFewestInstants = 8, kMostInstants = 64;

// The furthest that a point moves from one instant to the next, squared.
double FurthestStep(const ResolvedMask& mask, int instants) {
  const int shapes = mask.shape_size() / instants;
  double furthest = 0;
  for (int i = shapes; i < mask.shape_size(); ++i) {
    const ResolvedMask::Shape &before = mask.shape(i - shapes), &now = mask.shape(i);
    for (int p = 0; p < now.path_size(); ++p) {
      for (int k = 0; k + 1 < now.path(p).xy_size(); k += 2) {
        const double dx = now.path(p).xy(k) - before.path(p).xy(k),
                     dy = now.path(p).xy(k + 1) - before.path(p).xy(k + 1);
        furthest = std::max(furthest, dx * dx + dy * dy);
      }
    }
  }
  return furthest;
}

bool AllInstantsAreEqual(const ResolvedMask& mask, int instants) {
  if (FurthestStep(mask, instants) > 0) return false;
  const int shapes = mask.shape_size() / instants;
  for (int i = shapes; i < mask.shape_size(); ++i) {
    const ResolvedMask::Shape &first = mask.shape(i % shapes), &now = mask.shape(i);
    if (now.feather() != first.feather() || now.opacity() != first.opacity()) return false;
  }
  return true;
}

SvgPath Parsed(const std::string& text) {
  auto path = ParseSvgPath(text);
  return path.ok() ? *std::move(path) : SvgPath{};
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
  const Place p = Find(number.at(), number.ease(), frame);
  return Mix(number.at(p.before).value(), number.at(p.after).value(), p.u);
}

Step ResolveStep(const Step& step, int32_t frame) {
  Step resolved = step;
  ResolveMessage(frame, "", MutableParamsOf(&resolved));
  return resolved;
}

bool IsAnimated(const Step& step) { return HasKeyFrames(ParamsOf(step)); }

ResolvedSteps AsResolved(std::vector<Step> steps) {
  CanonicalWriter w("selvage steps");
  w.U32(static_cast<uint32_t>(steps.size()));
  for (const Step& step : steps) w.Bytes(BytesOf(step));
  const Digest digest = w.Sha();
  return {std::make_shared<std::vector<Step>>(std::move(steps)), digest};
}

StepResolver::StepResolver(std::vector<Step> steps) {
  for (Step& s : steps) {
    Entry& entry = entries_.emplace_back();
    entry.animated = IsAnimated(s);
    animated_ |= entry.animated;
    entry.as_written = std::move(s);
    entry.resolved = ResolveStep(entry.as_written, 0);
    entry.bytes = BytesOf(entry.resolved);
  }
}

const ResolvedSteps& StepResolver::At(int32_t frame) {
  if (last_ != nullptr && !animated_) return *last_;
  CanonicalWriter w("selvage steps");
  w.U32(static_cast<uint32_t>(entries_.size()));
  for (Entry& entry : entries_) {
    if (entry.animated) {
      entry.resolved = ResolveStep(entry.as_written, frame);
      entry.bytes = BytesOf(entry.resolved);
    }
    w.Bytes(entry.bytes);
  }
  const Digest digest = w.Sha();
  auto [it, is_new] = known_.try_emplace(digest);
  if (is_new) {
    auto all = std::make_shared<std::vector<Step>>();
    all->reserve(entries_.size());
    for (const Entry& entry : entries_) all->push_back(entry.resolved);
    it->second = {std::move(all), digest};
  }
  last_ = &it->second;
  return *last_;
}

MaskResolver::MaskResolver(const Mask& mask) : mask_(mask) {
  for (const Mask::Shape& shape : mask.shape()) {
    auto& paths = paths_.emplace_back();
    if (shape.has_path()) paths.push_back(Parsed(shape.path()));
    for (const auto& at : shape.at()) paths.push_back(Parsed(at.path()));
    animated_ |= shape.at_size() > 0 || shape.feather().at_size() > 0 || shape.opacity().at_size() > 0;
  }
  animated_ |= HasKeyFrames(mask.track());
}

void MaskResolver::AddShapes(double frame, ResolvedMask* out) const {
  const Placement track = TrackAt(mask_.track(), frame);
  for (int i = 0; i < mask_.shape_size(); ++i) {
    const Mask::Shape& shape = mask_.shape(i);
    ResolvedMask::Shape* to = out->add_shape();
    if (shape.has_path() || shape.at_size() == 0) {
      if (!paths_[i].empty()) AppendPath(paths_[i][0], track, to);
    } else {
      const Place p = Find(shape.at(), shape.ease(), frame);
      AppendPath(Interpolate(paths_[i][p.before], paths_[i][p.after], p.u), track, to);
    }
    to->set_feather(NumberAt(shape.feather(), frame, 0));
    to->set_opacity(NumberAt(shape.opacity(), frame, 1));
    to->set_subtract(shape.subtract());
    to->set_rule(shape.rule());
  }
}

ResolvedMask MaskResolver::Resolve(int32_t frame) const {
  const double open = mask_.shutter().degrees() / 360;
  const double opens = frame + (mask_.shutter().has_opens() ? mask_.shutter().opens() / 360 : -open / 2);
  ResolvedMask out;
  if (open == 0 || !animated_) {
    AddShapes(frame, &out);
  } else {
    int instants = kFewestInstants;
    const auto draw = [&] {
      out.Clear();
      for (int i = 0; i < instants; ++i) AddShapes(opens + open * (i + 0.5) / instants, &out);
    };
    draw();
    while (instants < kMostInstants && FurthestStep(out, instants) > 1) {
      instants *= 2;
      draw();
    }
    if (AllInstantsAreEqual(out, instants)) {
      // At rest: the same result as without a shutter.
      out.mutable_shape()->DeleteSubrange(mask_.shape_size(), out.shape_size() - mask_.shape_size());
    } else {
      out.set_instants(static_cast<uint32_t>(instants));
    }
  }
  out.set_invert(mask_.invert());
  return out;
}

const MaskResolver::Resolved& MaskResolver::At(int32_t frame) {
  if (last_ != nullptr && !animated_) return *last_;
  auto mask = std::make_shared<ResolvedMask>(Resolve(frame));
  CanonicalWriter w("selvage mask");
  // As above: it cannot fail after validation.
  if (!w.Message(*mask).ok()) w.Bytes(mask->SerializeAsString());
  const Digest digest = w.Sha();
  last_ = &known_.try_emplace(digest, Resolved{std::move(mask), digest}).first->second;
  return *last_;
}

}  // namespace selvage::plan
