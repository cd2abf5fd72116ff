#include "server/plan/ingredients.h"

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "proto/catalogue.h"
#include "server/plan/proxy.h"

namespace selvage::plan {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

MaskSketch SketchOf(const ResolvedMask& mask, uint32_t proxy) {
  MaskSketch sketch;
  sketch.set_invert(mask.invert());
  for (const ResolvedMask::Shape& shape : mask.shape()) {
    MaskSketch::Shape* s = sketch.add_shape();
    std::string outline;
    for (const ResolvedMask::Path& path : shape.path()) {
      // The length first, so that no two lists of sub-paths look alike.
      const uint64_t size = static_cast<uint64_t>(path.xy_size());
      outline.append(reinterpret_cast<const char*>(&size), sizeof size);
      outline.append(reinterpret_cast<const char*>(path.xy().data()), size * sizeof(double));
    }
    s->set_outline(Sha256(outline).str());
    s->set_feather(shape.feather() * proxy);
    s->set_opacity(shape.opacity());
    s->set_subtract(shape.subtract());
    s->set_rule(shape.rule());
  }
  return sketch;
}

// Short, and different for different numbers.
std::string Show(double v) {
  char text[40];
  for (const int digits : {6, 9, 17}) {
    std::snprintf(text, sizeof text, "%.*g", digits, v);
    if (std::strtod(text, nullptr) == v) break;
  }
  return text;
}

std::string Arrow(const std::string& before, const std::string& now) { return absl::StrCat(before, " -> ", now); }

// Of one value: a number, a word, a colour as "1,1,0.9".
std::string ShowValue(const Message& m, const FieldDescriptor* f, int index) {
  const Reflection* r = m.GetReflection();
  const bool many = f->is_repeated();
  switch (f->cpp_type()) {
    case FieldDescriptor::CPPTYPE_BOOL:
      return (many ? r->GetRepeatedBool(m, f, index) : r->GetBool(m, f)) ? "true" : "false";
    case FieldDescriptor::CPPTYPE_INT32:
      return absl::StrCat(many ? r->GetRepeatedInt32(m, f, index) : r->GetInt32(m, f));
    case FieldDescriptor::CPPTYPE_INT64:
      return absl::StrCat(many ? r->GetRepeatedInt64(m, f, index) : r->GetInt64(m, f));
    case FieldDescriptor::CPPTYPE_UINT32:
      return absl::StrCat(many ? r->GetRepeatedUInt32(m, f, index) : r->GetUInt32(m, f));
    case FieldDescriptor::CPPTYPE_UINT64:
      return absl::StrCat(many ? r->GetRepeatedUInt64(m, f, index) : r->GetUInt64(m, f));
    case FieldDescriptor::CPPTYPE_FLOAT:
      return Show(many ? r->GetRepeatedFloat(m, f, index) : r->GetFloat(m, f));
    case FieldDescriptor::CPPTYPE_DOUBLE:
      return Show(many ? r->GetRepeatedDouble(m, f, index) : r->GetDouble(m, f));
    case FieldDescriptor::CPPTYPE_ENUM: {
      const auto* e = many ? r->GetRepeatedEnum(m, f, index) : r->GetEnum(m, f);
      return std::string(e->name());
    }
    case FieldDescriptor::CPPTYPE_STRING:
      return absl::StrCat("\"", many ? r->GetRepeatedString(m, f, index) : r->GetString(m, f), "\"");
    case FieldDescriptor::CPPTYPE_MESSAGE: {
      const Message& part = many ? r->GetRepeatedMessage(m, f, index) : r->GetMessage(m, f);
      if (part.GetDescriptor() == Color::descriptor()) {
        const auto& c = static_cast<const Color&>(part);
        return absl::StrCat(Show(c.r()), ",", Show(c.g()), ",", Show(c.b()));
      }
      if (part.GetDescriptor() == Number::descriptor()) return Show(static_cast<const Number&>(part).value());
      return part.ShortDebugString();
    }
  }
  return "";
}

bool IsValue(const FieldDescriptor* f) {
  return f->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE || f->message_type() == Color::descriptor() ||
         f->message_type() == Number::descriptor();
}

// First field in which two messages of one type differ, as "path before -> now".
std::string FirstField(const Message& before, const Message& now, const std::string& path) {
  const Reflection* r = now.GetReflection();
  std::vector<const FieldDescriptor*> fields;
  for (int i = 0; i < now.GetDescriptor()->field_count(); ++i) fields.push_back(now.GetDescriptor()->field(i));
  std::sort(fields.begin(), fields.end(), [](auto* a, auto* b) { return a->number() < b->number(); });
  for (const FieldDescriptor* f : fields) {
    const std::string here = absl::StrCat(path, ".", std::string(f->name()));
    if (f->is_repeated()) {
      const int a = r->FieldSize(before, f), b = r->FieldSize(now, f);
      for (int i = 0; i < std::min(a, b); ++i) {
        const std::string item = absl::StrCat(here, "[", i + 1, "]");
        if (IsValue(f)) {
          const std::string x = ShowValue(before, f, i), y = ShowValue(now, f, i);
          if (x != y) return absl::StrCat(item, " ", Arrow(x, y));
        } else {
          std::string inner = FirstField(r->GetRepeatedMessage(before, f, i), r->GetRepeatedMessage(now, f, i), item);
          if (!inner.empty()) return inner;
        }
      }
      if (a != b) return absl::StrCat(here, " has ", b, " entries (had ", a, ")");
      continue;
    }
    const bool had = !f->has_presence() || r->HasField(before, f), has = !f->has_presence() || r->HasField(now, f);
    if (!had && !has) continue;
    if (had != has) {
      // Of a choice, the other part is named as well.
      if (const auto* choice = f->real_containing_oneof(); choice != nullptr) {
        const FieldDescriptor* x = r->GetOneofFieldDescriptor(before, choice);
        const FieldDescriptor* y = r->GetOneofFieldDescriptor(now, choice);
        const auto show = [&](const Message& m, const FieldDescriptor* chosen) {
          if (chosen == nullptr) return std::string("not set");
          return IsValue(chosen) ? absl::StrCat(std::string(chosen->name()), " ", ShowValue(m, chosen, 0))
                                 : std::string(chosen->name());
        };
        return absl::StrCat(path, " ", Arrow(show(before, x), show(now, y)));
      }
      return absl::StrCat(here, " ",
                          Arrow(had ? ShowValue(before, f, 0) : "not set", has ? ShowValue(now, f, 0) : "not set"));
    }
    if (IsValue(f)) {
      const std::string x = ShowValue(before, f, 0), y = ShowValue(now, f, 0);
      if (x != y) return absl::StrCat(here, " ", Arrow(x, y));
    } else {
      std::string inner = FirstField(r->GetMessage(before, f), r->GetMessage(now, f), here);
      if (!inner.empty()) return inner;
    }
  }
  return "";
}

std::string NameOfOperator(const Step& step) {
  const Operator* op = OperatorOf(step);
  return op == nullptr ? "a step" : op->name;
}

bool Same(const Outline& a, const Outline& b) {
  if (a.path_size() != b.path_size()) return false;
  for (int p = 0; p < a.path_size(); ++p) {
    if (!std::equal(a.path(p).xy().begin(), a.path(p).xy().end(), b.path(p).xy().begin(), b.path(p).xy().end()))
      return false;
  }
  return true;
}

// Of a shape that follows, drawn at that frame in at least one of two tasks.
std::string DifferenceOfOutlines(const Outline& before, const Outline& now, int32_t frame) {
  if (Same(before, now)) return "";
  const bool had = before.path_size() > 0, has = now.path_size() > 0;
  return absl::StrCat(had && has ? "was redrawn" : has ? "is now drawn" : "is no longer drawn", " at frame ", frame);
}

// Of the steps that carry and draw followed masks, as the artist knows them.
std::string DifferenceOfFollowing(const Step& before, const Step& now, int32_t frame) {
  if (now.has_carry_points()) {
    const CarryPoints &a = before.carry_points(), &b = now.carry_points();
    std::string drawn = DifferenceOfOutlines(a.drawn(), b.drawn(), b.backward() ? frame + 1 : frame - 1);
    return drawn.empty() ? "is carried differently" : drawn;
  }
  const DrawMask &a = before.draw_mask(), &b = now.draw_mask();
  if (a.shape_size() != b.shape_size())
    return absl::StrCat("has ", b.shape_size(), " shapes (had ", a.shape_size(), ")");
  for (int i = 0; i < b.shape_size(); ++i) {
    const std::string drawn = DifferenceOfOutlines(a.shape(i).drawn(), b.shape(i).drawn(), frame);
    if (!drawn.empty()) return absl::StrCat("shape ", i + 1, " ", drawn);
    if (a.shape(i).mix() != b.shape(i).mix())
      return absl::StrCat("shape ", i + 1, ": other key frames are nearest now");
  }
  const std::string field = FirstField(a, b, "");
  return field.empty() ? "" : field.substr(1);
}

std::string DifferenceOfSteps(const Ingredients& before, const Ingredients& now, int32_t frame,
                              const StepName& name_of) {
  const int a = before.step_size(), b = now.step_size();
  for (int i = 0; i < std::max(a, b); ++i) {
    const bool same_operator = i < a && i < b && before.step(i).op_case() == now.step(i).op_case();
    if (!same_operator) {
      if (b > a || i >= a) return absl::StrCat(i < b ? name_of(i) : "a step", " was added");
      if (a > b || i >= b) return absl::StrCat(NameOfOperator(before.step(i)), " was removed");
      return absl::StrCat(name_of(i), " replaced ", NameOfOperator(before.step(i)));
    }
    const uint32_t old_revision = i < before.revision_size() ? before.revision(i) : 0;
    const uint32_t revision = i < now.revision_size() ? now.revision(i) : 0;
    if (old_revision != revision) {
      return absl::StrCat(NameOfOperator(now.step(i)), " is now revision ", revision, " (was ", old_revision, ")");
    }
    if (OperatorOf(now.step(i)) == nullptr) continue;
    std::string field = FirstField(ParamsOf(before.step(i)), ParamsOf(now.step(i)), name_of(i));
    const bool follows = now.step(i).has_carry_points() || now.step(i).has_draw_mask();
    if (follows && !field.empty()) field = DifferenceOfFollowing(before.step(i), now.step(i), frame);
    if (!field.empty()) return field;
  }
  return "";
}

std::string DifferenceOfPlates(const Ingredients::Input& before, const Ingredients::Input& now, int32_t frame) {
  const PlateRead &a = before.plate(), &b = now.plate();
  const std::string plate = absl::StrCat(
      "plate \"", now.name(), "\"", now.frame_offset() != 0 ? absl::StrCat(" frame ", frame + now.frame_offset()) : "");
  if (a.digest() != b.digest()) {
    if (a.path() == b.path()) return absl::StrCat(plate, ": file contents changed");
    return absl::StrCat(plate, ": file is now ", b.path(), " (was ", a.path(), ")");
  }
  if (a.encoding() != b.encoding()) {
    return absl::StrCat(plate, ": encoding ", Arrow(Encoding_Name(a.encoding()), Encoding_Name(b.encoding())));
  }
  if (a.alpha() != b.alpha()) {
    return absl::StrCat(plate, ": alpha ", Arrow(Plate::Alpha_Name(a.alpha()), Plate::Alpha_Name(b.alpha())));
  }
  return "";
}

std::string DifferenceOfMasks(const Ingredients::Input& before, const Ingredients::Input& now) {
  const MaskSketch &a = before.mask(), &b = now.mask();
  const std::string mask = absl::StrCat("mask \"", now.name(), "\"");
  if (a.shape_size() != b.shape_size())
    return absl::StrCat(mask, " has ", b.shape_size(), " shapes (had ", a.shape_size(), ")");
  if (a.invert() != b.invert()) return absl::StrCat(mask, b.invert() ? " is now inverted" : " is no longer inverted");
  for (int i = 0; i < b.shape_size(); ++i) {
    const MaskSketch::Shape &x = a.shape(i), &y = b.shape(i);
    const std::string shape = b.shape_size() == 1 ? mask : absl::StrCat(mask, " shape ", i + 1);
    if (x.outline() != y.outline()) return absl::StrCat(shape, ": outline changed");
    if (x.feather() != y.feather())
      return absl::StrCat(shape, ": feather ", Arrow(Show(x.feather()), Show(y.feather())));
    if (x.opacity() != y.opacity())
      return absl::StrCat(shape, ": opacity ", Arrow(Show(x.opacity()), Show(y.opacity())));
    if (x.subtract() != y.subtract()) return absl::StrCat(shape, y.subtract() ? " now subtracts" : " now adds");
    if (x.rule() != y.rule()) return absl::StrCat(shape, ": fill rule changed");
  }
  return "";
}

// "combine.with", "from".
std::string PortName(const Ingredients::Input& in, const StepName& name_of) {
  if (in.step() < 0)
    return in.frame_offset() == 0 ? "from"
                                  : absl::StrCat("from, frame ", in.frame_offset() > 0 ? "+" : "", in.frame_offset());
  return absl::StrCat(name_of(in.step()), ".", in.port());
}

const Ingredients::Input* SamePlace(const Ingredients& all, const Ingredients::Input& in) {
  for (const Ingredients::Input& other : all.input()) {
    if (other.step() == in.step() && other.port() == in.port() && other.frame_offset() == in.frame_offset())
      return &other;
  }
  return nullptr;
}

}  // namespace

Ingredients IngredientsOf(const Plan& plan, const PlannedTask& task) {
  Ingredients made_of;
  *made_of.mutable_format() = plan.format;
  for (const Step& step : *task.steps) {
    Step* as_written = made_of.add_step();
    *as_written = step;
    const Operator* op = OperatorOf(step);
    if (op != nullptr) Enlarge(plan.proxy, MutableParamsOf(as_written));
    made_of.add_revision(op == nullptr ? 0 : op->traits.revision());
  }
  for (const PlannedInput& in : task.inputs) {
    Ingredients::Input* out = made_of.add_input();
    out->set_step(in.step);
    out->set_port(in.port);
    out->set_frame_offset(in.frame_offset);
    out->set_name(in.name);
    if (in.plate) *out->mutable_plate() = *in.plate;
    if (in.mask) *out->mutable_mask() = SketchOf(*in.mask, plan.proxy);
    if (in.result) out->set_result(in.result->digest.str());
  }
  return made_of;
}

Difference FirstDifference(const Ingredients& before, const Ingredients& now, int32_t frame, const StepName& name_of) {
  Difference d;
  d.text = DifferenceOfSteps(before, now, frame, name_of);
  if (!d.text.empty()) return d;
  if (before.format().width() != now.format().width() || before.format().height() != now.format().height()) {
    d.text = absl::StrCat("the format is now ", now.format().width(), " x ", now.format().height(), " (was ",
                          before.format().width(), " x ", before.format().height(), ")");
    return d;
  }
  for (const Ingredients::Input& in : now.input()) {
    const Ingredients::Input* old = SamePlace(before, in);
    if (old == nullptr) {
      d.text = absl::StrCat(PortName(in, name_of), " is now \"", in.name(), "\" (was unset)");
    } else if (old->of_case() != in.of_case() ||
               (in.has_result() && old->result() != in.result() && old->name() != in.name())) {
      d.text = absl::StrCat(PortName(in, name_of), " is now \"", in.name(), "\" (was \"", old->name(), "\")");
    } else if (in.has_plate()) {
      d.text = DifferenceOfPlates(*old, in, frame);
    } else if (in.has_mask()) {
      d.text = DifferenceOfMasks(*old, in);
    } else if (old->result() != in.result() && !d.input) {
      const auto digest = Digest::FromBytes(in.result());
      if (digest) d.input = ResultKey{*digest};
      d.input_name = in.name();
    }
    if (!d.text.empty()) break;
  }
  for (const Ingredients::Input& old : before.input()) {
    if (!d.text.empty() || SamePlace(now, old) != nullptr) continue;
    d.text = absl::StrCat(PortName(old, name_of), " is now unset (was \"", old.name(), "\")");
  }
  if (!d.text.empty()) d.input.reset();
  return d;
}

}  // namespace selvage::plan
