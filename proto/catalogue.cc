#include "proto/catalogue.h"

#include <algorithm>
#include <numeric>

#include "absl/strings/str_cat.h"

namespace selvage {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

std::vector<const FieldDescriptor*> FieldsByNumber(const Descriptor* d) {
  std::vector<const FieldDescriptor*> fields;
  for (int i = 0; i < d->field_count(); ++i) fields.push_back(d->field(i));
  std::sort(fields.begin(), fields.end(),
            [](const FieldDescriptor* a, const FieldDescriptor* b) { return a->number() < b->number(); });
  return fields;
}

std::vector<Operator> ReadOperators() {
  std::vector<Operator> all;
  for (const FieldDescriptor* field : FieldsByNumber(Step::descriptor())) {
    all.push_back({field->name(), field, field->message_type(), field->message_type()->options().GetExtension(op)});
  }
  return all;
}

// A field without presence counts as set when it differs from its zero value;
// a member of a oneof is set when the oneof holds it, even if empty.
bool IsSet(const Message& m, const FieldDescriptor* f) { return m.GetReflection()->HasField(m, f); }

void CollectPorts(const Message& m, const std::string& prefix, const std::string& keyed_prefix,
                  std::vector<Port>* ports) {
  const Reflection* r = m.GetReflection();
  for (const FieldDescriptor* f : FieldsByNumber(m.GetDescriptor())) {
    const ParamTraits& traits = TraitsOf(f);
    const std::string path = absl::StrCat(prefix, f->name());
    const std::string keyed_path =
        absl::StrCat(keyed_prefix, traits.keyed_as().empty() ? f->name() : traits.keyed_as());
    const int count = f->is_repeated() ? r->FieldSize(m, f) : IsSet(m, f) ? 1 : 0;
    if (traits.input_size() > 0 && count == 0 && traits.required())
      ports->push_back({path, keyed_path, traits, "", nullptr});
    for (int i = 0; i < count; ++i) {
      const std::string place = f->is_repeated() ? absl::StrCat("[", i, "]") : "";
      const std::string at = path + place, keyed_at = keyed_path + place;
      if (traits.input_size() > 0) {
        ports->push_back(
            {at, keyed_at, traits, f->is_repeated() ? r->GetRepeatedString(m, f, i) : r->GetString(m, f), nullptr});
      } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
        const Message& sub = f->is_repeated() ? r->GetRepeatedMessage(m, f, i) : r->GetMessage(m, f);
        if (traits.measure() != MEASURE_NONE) {
          ports->push_back({at, keyed_at, traits, "", static_cast<const SampleBox*>(&sub)});
        } else {
          CollectPorts(sub, absl::StrCat(at, "."), absl::StrCat(keyed_at, "."), ports);
        }
      }
    }
  }
}

// Levenshtein distance, a swap of neighbours counting once.
int EditDistance(const std::string& a, const std::string& b) {
  std::vector<int> before, last(b.size() + 1), now(b.size() + 1);
  std::iota(last.begin(), last.end(), 0);
  for (size_t i = 1; i <= a.size(); ++i) {
    now[0] = static_cast<int>(i);
    for (size_t j = 1; j <= b.size(); ++j) {
      now[j] = std::min({last[j] + 1, now[j - 1] + 1, last[j - 1] + (a[i - 1] != b[j - 1])});
      if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) now[j] = std::min(now[j], before[j - 2] + 1);
    }
    before = last;
    std::swap(last, now);
  }
  return last[b.size()];
}

}  // namespace

const std::vector<Operator>& Operators() {
  static const auto* all = new std::vector<Operator>(ReadOperators());
  return *all;
}

const Operator* FindOperator(const std::string& name) {
  for (const Operator& o : Operators()) {
    if (o.name == name) return &o;
  }
  return nullptr;
}

const Operator* OperatorOf(const Step& step) {
  if (step.op_case() == Step::OP_NOT_SET) return nullptr;
  const auto& all = Operators();
  auto it = std::lower_bound(all.begin(), all.end(), static_cast<int>(step.op_case()),
                             [](const Operator& o, int number) { return o.field->number() < number; });
  return &*it;
}

const Message& ParamsOf(const Step& step) { return step.GetReflection()->GetMessage(step, OperatorOf(step)->field); }

Message* MutableParamsOf(Step* step) { return step->GetReflection()->MutableMessage(step, OperatorOf(*step)->field); }

std::string ClosestName(const std::string& misspelt, const std::vector<std::string>& names) {
  // Longer words never reach this far in a stack that passed its limits, and
  // the table of distances grows with their product.
  if (misspelt.empty() || misspelt.size() > 64) return "";
  std::string best;
  // A third of the letters may differ: more is another word.
  int best_distance = std::max<int>(1, static_cast<int>(misspelt.size()) / 3) + 1;
  for (const std::string& name : names) {
    if (name.size() > 64) continue;
    const int d = EditDistance(misspelt, name);
    if (d < best_distance) {
      best_distance = d;
      best = name;
    }
  }
  return best;
}

std::string ClosestOperator(const std::string& misspelt) {
  std::vector<std::string> names;
  for (const Operator& o : Operators()) {
    if (!o.traits.internal()) names.push_back(o.name);
  }
  return ClosestName(misspelt, names);
}

const ParamTraits& TraitsOf(const FieldDescriptor* field) { return field->options().GetExtension(param); }

std::vector<Port> PortsOf(const Message& params) {
  std::vector<Port> ports;
  CollectPorts(params, "", "", &ports);
  return ports;
}

int WindowOf(const Message& params) {
  const Descriptor* d = params.GetDescriptor();
  for (int i = 0; i < d->field_count(); ++i) {
    const FieldDescriptor* f = d->field(i);
    const ParamTraits& traits = TraitsOf(f);
    if (!traits.window()) continue;
    if (!IsSet(params, f)) return static_cast<int>(traits.default_value());
    return static_cast<int>(params.GetReflection()->GetUInt32(params, f));
  }
  return 0;
}

Kind TakenAs(const google::protobuf::RepeatedField<int>& takes, Kind given) {
  auto has = [&](Kind kind) { return std::find(takes.begin(), takes.end(), kind) != takes.end(); };
  if (has(given)) return given;
  if (given == OPAQUE && has(STRAIGHT)) return STRAIGHT;
  if (given == OPAQUE && has(PREMULTIPLIED)) return PREMULTIPLIED;
  return KIND_UNSPECIFIED;
}

Kind KindOf(Plate::Alpha alpha) {
  switch (alpha) {
    case Plate::ASSOCIATED:
      return PREMULTIPLIED;
    case Plate::UNASSOCIATED:
      return STRAIGHT;
    case Plate::MATTE_ONLY:
      return MATTE;
    default:
      return OPAQUE;
  }
}

Kind KindAfter(const Step& step, Kind main) {
  const OpTraits& traits = OperatorOf(step)->traits;
  if (step.has_flood()) {
    switch (step.flood().as()) {
      case Flood::FLOOD_MATTE:
        return MATTE;
      case Flood::FLOOD_PREMULTIPLIED:
        return PREMULTIPLIED;
      default:
        return OPAQUE;
    }
  }
  if (traits.gives() != KIND_UNSPECIFIED) return traits.gives();
  const Kind kind = TakenAs(traits.takes(), main);
  // The spill amount in A: no longer 1 everywhere.
  if (step.has_despill() && step.despill().amount_to_alpha() && kind == OPAQUE) return STRAIGHT;
  return kind;
}

std::string KindName(Kind kind) {
  switch (kind) {
    case MATTE:
      return "matte";
    case STRAIGHT:
      return "straight colour";
    case PREMULTIPLIED:
      return "premultiplied colour";
    case OPAQUE:
      return "opaque colour";
    case BLOB:
      return "bytes";
    default:
      return "nothing";
  }
}

}  // namespace selvage
