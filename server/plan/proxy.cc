#include "server/plan/proxy.h"

#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/catalogue.h"
#include "proto/svg_path.h"
#include "server/plan/faults.h"

namespace selvage::plan {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

constexpr uint32_t kSizes[] = {1, 2, 4, 8};

uint32_t LeastSide(Measure measure) { return measure == NOISE_PROFILE ? 8 : 1; }

int64_t FloorOf(int64_t v, uint32_t by) { return static_cast<int64_t>(std::floor(static_cast<double>(v) / by)); }
int64_t CeilOf(int64_t v, uint32_t by) { return static_cast<int64_t>(std::ceil(static_cast<double>(v) / by)); }

struct Stretch {
  int64_t begin, end;
};

// What lies wholly inside the stretch, so that nothing is measured that was not; at least
// `least` long, around the middle and inside the picture. One that leaves the picture still
// does so, and is told of.
Stretch ReducedStretch(uint32_t by, uint32_t least, uint32_t picture, const Stretch& s) {
  if (s.begin < 0 || s.end > picture) return {FloorOf(s.begin, by), CeilOf(s.end, by)};
  const int64_t last = CeilOf(picture, by);
  Stretch to{CeilOf(s.begin, by), FloorOf(s.end, by)};
  const int64_t length = std::min<int64_t>(last, std::max<int64_t>(to.end - to.begin, least));
  if (length > to.end - to.begin) {
    to.begin = std::llround(0.5 * static_cast<double>(s.begin + s.end) / by - 0.5 * static_cast<double>(length));
  }
  to.begin = std::clamp<int64_t>(to.begin, 0, last - length);
  return {to.begin, to.begin + length};
}

void ReduceBox(const Format& format, uint32_t by, uint32_t least, SampleBox* box) {
  const Stretch x = ReducedStretch(by, least, format.width(), {box->x(), int64_t{box->x()} + box->width()});
  const Stretch y = ReducedStretch(by, least, format.height(), {box->y(), int64_t{box->y()} + box->height()});
  box->set_x(static_cast<int32_t>(x.begin));
  box->set_width(static_cast<uint32_t>(x.end - x.begin));
  box->set_y(static_cast<int32_t>(y.begin));
  box->set_height(static_cast<uint32_t>(y.end - y.begin));
}

// What is looked at: all that is partly inside.
void ReduceBox(uint32_t by, LookBox* box) {
  if (box->width() == 0 || box->height() == 0) return;
  const int64_t x = FloorOf(box->x(), by), y = FloorOf(box->y(), by);
  box->set_width(static_cast<uint32_t>(CeilOf(int64_t{box->x()} + box->width(), by) - x));
  box->set_height(static_cast<uint32_t>(CeilOf(int64_t{box->y()} + box->height(), by) - y));
  box->set_x(static_cast<int32_t>(x));
  box->set_y(static_cast<int32_t>(y));
}

// Absolute curves: they say the same wherever they are scaled to.
std::string ReducedPath(const std::string& text, uint32_t by) {
  const auto path = ParseSvgPath(text);
  if (!path.ok()) return text;
  std::string out;
  for (const SubPath& sub : path->sub_paths) {
    for (size_t i = 0; i + 1 < sub.xy.size(); i += 2) {
      const char* command = i == 0 ? "M" : i % 6 == 2 ? "C" : " ";
      // Each number as it is: a division by a power of two is exact, and so are 17 digits.
      absl::StrAppendFormat(&out, "%s%.17g %.17g", command, sub.xy[i] / by, sub.xy[i + 1] / by);
    }
  }
  return out;
}

// Divides all that is given in pixels.
class Reducer {
 public:
  // `format`: at full size.
  Reducer(const Format& format, uint32_t by) : format_(format), by_(by) {}

  void Walk(Message* m) const {
    const Reflection* r = m->GetReflection();
    const auto* d = m->GetDescriptor();
    for (int i = 0; i < d->field_count(); ++i) {
      const FieldDescriptor* f = d->field(i);
      if (f->is_repeated()) {
        if (f->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) continue;
        for (int k = 0; k < r->FieldSize(*m, f); ++k) Walk(r->MutableRepeatedMessage(m, f, k));
      } else if (f->message_type() == Number::descriptor()) {
        ReduceNumber(f, m);
      } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
        if (r->HasField(*m, f)) WalkPart(f, r->MutableMessage(m, f));
      } else {
        ReduceScalar(f, m);
      }
    }
  }

 private:
  void WalkPart(const FieldDescriptor* f, Message* part) const {
    if (f->message_type() == SampleBox::descriptor()) {
      ReduceBox(format_, by_, LeastSide(TraitsOf(f).measure()), static_cast<SampleBox*>(part));
    } else if (f->message_type() == LookBox::descriptor()) {
      ReduceBox(by_, static_cast<LookBox*>(part));
    } else {
      Walk(part);
    }
  }

  double DivisorOf(const ParamTraits& traits) const {
    if (traits.unit() == "px") return by_;
    return traits.unit() == "square px" ? double{1} * by_ * by_ : 1;
  }
  static double Allowed(const ParamTraits& traits, double v) {
    if (traits.has_min()) v = std::max(v, traits.min());
    return traits.has_max() ? std::min(v, traits.max()) : v;
  }

  void ReduceNumber(const FieldDescriptor* f, Message* m) const {
    const ParamTraits& traits = TraitsOf(f);
    const double divisor = DivisorOf(traits);
    if (divisor == 1) return;
    const Reflection* r = m->GetReflection();
    const auto& written = static_cast<const Number&>(r->GetMessage(*m, f));
    const bool given = written.has_value() || written.at_size() > 0;
    if (!given && (!traits.has_default_value() || f->real_containing_oneof() != nullptr)) return;
    auto* number = static_cast<Number*>(r->MutableMessage(m, f));
    if (!given) number->set_value(traits.default_value());
    if (number->has_value()) number->set_value(Allowed(traits, number->value() / divisor));
    for (Number::KeyFrame& at : *number->mutable_at()) at.set_value(Allowed(traits, at.value() / divisor));
  }

  void ReduceScalar(const FieldDescriptor* f, Message* m) const {
    const ParamTraits& traits = TraitsOf(f);
    const double divisor = DivisorOf(traits);
    if (divisor == 1) return;
    const Reflection* r = m->GetReflection();
    if (f->has_presence() && !r->HasField(*m, f) &&
        (!traits.has_default_value() || f->real_containing_oneof() != nullptr)) {
      return;
    }
    const bool unset = f->has_presence() && !r->HasField(*m, f);
    const auto divided = [&](double written) {
      return Allowed(traits, (unset ? traits.default_value() : written) / divisor);
    };
    if (f->cpp_type() == FieldDescriptor::CPPTYPE_UINT32) {
      r->SetUInt32(m, f, static_cast<uint32_t>(Allowed(traits, std::round(divided(r->GetUInt32(*m, f))))));
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_INT32) {
      r->SetInt32(m, f, static_cast<int32_t>(Allowed(traits, std::round(divided(r->GetInt32(*m, f))))));
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE) {
      r->SetDouble(m, f, divided(r->GetDouble(*m, f)));
    }
  }

  const Format& format_;
  const uint32_t by_;
};

void AddFault(std::string path, std::string message, std::vector<StackError>* faults) {
  if (faults->size() >= Faults::kMost) return;
  StackError& e = faults->emplace_back();
  e.set_path(std::move(path));
  e.set_message(std::move(message));
}

std::string Share(uint32_t proxy) { return absl::StrCat("1/", proxy); }

// Noise is measured in blocks of 8 x 8 pixels.
void CheckNoiseBoxes(const Stack& stack, const Format& reduced, std::vector<StackError>* faults) {
  for (int p = 0; p < stack.pass_size(); ++p) {
    for (int s = 0; s < stack.pass(p).step_size(); ++s) {
      const Operator* o = OperatorOf(stack.pass(p).step(s));
      if (o == nullptr) continue;
      for (const Port& port : PortsOf(ParamsOf(stack.pass(p).step(s)))) {
        const uint32_t least = LeastSide(port.traits.measure());
        if (port.box == nullptr || (reduced.width() >= least && reduced.height() >= least)) continue;
        AddFault(absl::StrCat("pass[", p, "].step[", s, "].", o->name, ".", port.path),
                 absl::StrCat("pass \"", stack.pass(p).name(), "\" step ", s + 1, " (", o->name, ") ", port.path,
                              ": at ", Share(ProxyOf(stack)), " of the size the picture is ", reduced.width(), " x ",
                              reduced.height(), ", a box to measure in needs ", least, " x ", least),
                 faults);
      }
    }
  }
}

void EnlargeNumber(double by, Number* n) {
  if (n->has_value()) n->set_value(n->value() * by);
  for (Number::KeyFrame& at : *n->mutable_at()) at.set_value(at.value() * by);
}

template <class Box>
void EnlargeBox(uint32_t by, Box* box) {
  const int32_t n = static_cast<int32_t>(by);
  box->set_x(box->x() * n);
  box->set_y(box->y() * n);
  box->set_width(box->width() * by);
  box->set_height(box->height() * by);
}

void EnlargeScalar(const FieldDescriptor* f, double by, Message* m) {
  const Reflection* r = m->GetReflection();
  if (f->cpp_type() == FieldDescriptor::CPPTYPE_UINT32) {
    r->SetUInt32(m, f, static_cast<uint32_t>(r->GetUInt32(*m, f) * by));
  } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_INT32) {
    r->SetInt32(m, f, static_cast<int32_t>(r->GetInt32(*m, f) * by));
  } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE) {
    r->SetDouble(m, f, r->GetDouble(*m, f) * by);
  }
}

}  // namespace

std::string HistoryName(const std::string& stack, uint32_t proxy) {
  return proxy > 1 ? absl::StrCat(stack, "@", Share(proxy)) : stack;
}

std::vector<std::string> HistoryNames(const std::string& stack) {
  std::vector<std::string> names;
  for (const uint32_t proxy : kSizes) names.push_back(HistoryName(stack, proxy));
  return names;
}

std::vector<StackError> CheckProxy(const Stack& stack, const Format& format) {
  std::vector<StackError> faults;
  const uint32_t proxy = ProxyOf(stack);
  if (std::find(std::begin(kSizes), std::end(kSizes), proxy) == std::end(kSizes)) {
    AddFault("proxy", absl::StrCat("proxy: ", proxy, " is not a size to work at, allowed 1, 2, 4 or 8"), &faults);
    return faults;
  }
  if (proxy == 1 || format.width() == 0 || format.height() == 0) return faults;
  if (format.width() < proxy || format.height() < proxy) {
    AddFault("proxy",
             absl::StrCat("proxy: a picture of ", format.width(), " x ", format.height(), " has no ", Share(proxy),
                          " of its size, it must have at least ", proxy, " x ", proxy, " pixels"),
             &faults);
    return faults;
  }
  CheckNoiseBoxes(stack, Reduced(format, proxy), &faults);
  return faults;
}

Format Reduced(const Format& format, uint32_t proxy) {
  Format reduced;
  reduced.set_width((format.width() + proxy - 1) / proxy);
  reduced.set_height((format.height() + proxy - 1) / proxy);
  return reduced;
}

Stack Reduced(const Stack& stack, const Format& format) {
  const uint32_t by = ProxyOf(stack);
  Stack out = stack;
  if (by == 1) return out;
  *out.mutable_format() = Reduced(format, by);
  const Reducer reducer(format, by);
  for (Mask& mask : *out.mutable_mask()) {
    reducer.Walk(&mask);
    for (Mask::Shape& shape : *mask.mutable_shape()) {
      if (shape.has_path()) shape.set_path(ReducedPath(shape.path(), by));
      for (Mask::KeyFrame& at : *shape.mutable_at()) at.set_path(ReducedPath(at.path(), by));
    }
  }
  for (Pass& pass : *out.mutable_pass()) reducer.Walk(&pass);
  return out;
}

Target Reduced(const Target& target, const Format& format, uint32_t proxy) {
  Target out = target;
  if (proxy == 1 || !out.look || OperatorOf(*out.look) == nullptr) return out;
  Reducer(format, proxy).Walk(MutableParamsOf(&*out.look));
  return out;
}

void Enlarge(uint32_t proxy, Message* m) {
  if (proxy == 1) return;
  const Reflection* r = m->GetReflection();
  std::vector<const FieldDescriptor*> fields;
  r->ListFields(*m, &fields);
  for (const FieldDescriptor* f : fields) {
    const std::string& unit = TraitsOf(f).unit();
    const double by = unit == "px" ? proxy : unit == "square px" ? double{1} * proxy * proxy : 1;
    if (f->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) {
      if (by != 1 && !f->is_repeated()) EnlargeScalar(f, by, m);
      continue;
    }
    for (int i = 0; i < (f->is_repeated() ? r->FieldSize(*m, f) : 1); ++i) {
      Message* part = f->is_repeated() ? r->MutableRepeatedMessage(m, f, i) : r->MutableMessage(m, f);
      if (f->message_type() == Number::descriptor()) {
        EnlargeNumber(by, static_cast<Number*>(part));
      } else if (f->message_type() == SampleBox::descriptor()) {
        EnlargeBox(proxy, static_cast<SampleBox*>(part));
      } else if (f->message_type() == LookBox::descriptor()) {
        EnlargeBox(proxy, static_cast<LookBox*>(part));
      } else {
        Enlarge(proxy, part);
      }
    }
  }
}

}  // namespace selvage::plan
