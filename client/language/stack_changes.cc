#include "client/language/stack_changes.h"

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <set>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "google/protobuf/util/message_differencer.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;
using google::protobuf::util::MessageDifferencer;

// Longer texts (paths of shapes, notes) are not repeated.
constexpr size_t kShownText = 60;

// Short, and different for different numbers.
std::string NumberText(double v) {
  char text[40];
  for (const int digits : {6, 9, 17}) {
    std::snprintf(text, sizeof text, "%.*g", digits, v);
    if (std::strtod(text, nullptr) == v) break;
  }
  return text;
}

template <class KeyFrames, class Text>
std::string KeyFramesText(const KeyFrames& frames, const Text& text) {
  std::string all;
  for (const auto& k : frames) absl::StrAppend(&all, all.empty() ? "" : ", ", text(k), " at ", k.frame());
  return all;
}

std::string MessageText(const Message& m) {
  if (m.GetDescriptor() == Number::descriptor()) {
    const auto& n = static_cast<const Number&>(m);
    if (n.at_size() == 0) return NumberText(n.value());
    return KeyFramesText(n.at(), [](const Number::KeyFrame& k) { return NumberText(k.value()); });
  }
  if (m.GetDescriptor() == Color::descriptor()) {
    const auto& c = static_cast<const Color&>(m);
    const auto rgb = [](const auto& v) {
      // Written with one number, it is read with one.
      if (v.r() == v.g() && v.g() == v.b()) return NumberText(v.r());
      return absl::StrCat(NumberText(v.r()), ",", NumberText(v.g()), ",", NumberText(v.b()));
    };
    return c.at_size() == 0 ? rgb(c) : KeyFramesText(c.at(), rgb);
  }
  return m.ShortDebugString();
}

bool IsSingleValue(const FieldDescriptor* f) {
  return f->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE || f->message_type() == Color::descriptor() ||
         f->message_type() == Number::descriptor();
}

// `index` -1: the field is not repeated.
std::string ValueText(const Message& m, const FieldDescriptor* f, int index) {
  const Reflection* r = m.GetReflection();
  const bool many = index >= 0;
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
      return NumberText(many ? r->GetRepeatedFloat(m, f, index) : r->GetFloat(m, f));
    case FieldDescriptor::CPPTYPE_DOUBLE:
      return NumberText(many ? r->GetRepeatedDouble(m, f, index) : r->GetDouble(m, f));
    case FieldDescriptor::CPPTYPE_ENUM:
      return std::string((many ? r->GetRepeatedEnum(m, f, index) : r->GetEnum(m, f))->name());
    case FieldDescriptor::CPPTYPE_STRING:
      return absl::StrCat("\"", many ? r->GetRepeatedString(m, f, index) : r->GetString(m, f), "\"");
    case FieldDescriptor::CPPTYPE_MESSAGE:
      return MessageText(many ? r->GetRepeatedMessage(m, f, index) : r->GetMessage(m, f));
  }
  return "";
}

std::string FromTo(const std::string& name, const std::string& before, const std::string& now) {
  if (before.size() > kShownText || now.size() > kShownText) return absl::StrCat(name, " changed");
  return absl::StrCat(name, " ", before, " -> ", now);
}

std::string Dotted(const std::string& path, const FieldDescriptor* f) {
  return path.empty() ? std::string(f->name()) : absl::StrCat(path, ".", std::string(f->name()));
}

// Texts of all fields in which two messages of one type differ.
void AddFields(const Message& before, const Message& now, const std::string& path, const std::set<std::string>& skip,
               std::vector<std::string>* texts) {
  const Reflection* r = now.GetReflection();
  std::set<const google::protobuf::OneofDescriptor*> told;
  for (int i = 0; i < now.GetDescriptor()->field_count(); ++i) {
    const FieldDescriptor* f = now.GetDescriptor()->field(i);
    if (skip.contains(std::string(f->name()))) continue;
    const std::string here = Dotted(path, f);
    if (f->is_repeated()) {
      const int a = r->FieldSize(before, f), b = r->FieldSize(now, f);
      for (int k = 0; k < std::min(a, b); ++k) {
        const std::string item = absl::StrCat(here, "[", k + 1, "]");
        if (!IsSingleValue(f)) {
          AddFields(r->GetRepeatedMessage(before, f, k), r->GetRepeatedMessage(now, f, k), item, {}, texts);
          continue;
        }
        const std::string x = ValueText(before, f, k), y = ValueText(now, f, k);
        if (x != y) texts->push_back(FromTo(item, x, y));
      }
      if (a != b) texts->push_back(absl::StrCat(here, " has ", b, " entries (had ", a, ")"));
      continue;
    }
    const bool had = !f->has_presence() || r->HasField(before, f), has = !f->has_presence() || r->HasField(now, f);
    if (!had && !has) continue;
    if (const auto* choice = f->real_containing_oneof(); choice != nullptr && had != has) {
      if (!told.insert(choice).second) continue;
      const auto show = [&](const Message& m) {
        const FieldDescriptor* chosen = r->GetOneofFieldDescriptor(m, choice);
        if (chosen == nullptr) return std::string("not set");
        return IsSingleValue(chosen) ? absl::StrCat(std::string(chosen->name()), " ", ValueText(m, chosen, -1))
                                     : std::string(chosen->name());
      };
      texts->push_back(FromTo(path.empty() ? std::string(choice->name()) : path, show(before), show(now)));
    } else if (had != has || IsSingleValue(f)) {
      const std::string x = had ? ValueText(before, f, -1) : "not set", y = has ? ValueText(now, f, -1) : "not set";
      if (x != y) texts->push_back(FromTo(here, x, y));
    } else {
      AddFields(r->GetMessage(before, f), r->GetMessage(now, f), here, {}, texts);
    }
  }
}

std::string OperatorName(const Step& step) {
  const Operator* op = OperatorOf(step);
  return op == nullptr ? "step" : op->name;
}

// "levels", "levels[2]" where the pass has several.
std::string NameOfStep(const Pass& pass, int step) {
  const std::string name = OperatorName(pass.step(step));
  int ordinal = 0, count = 0;
  for (int i = 0; i < pass.step_size(); ++i) {
    if (OperatorName(pass.step(i)) != name) continue;
    ++count;
    if (i <= step) ordinal = count;
  }
  return count > 1 ? absl::StrCat(name, "[", ordinal, "]") : name;
}

// How alike two steps are: 0 for other operators.
int Likeness(const Step& a, const Step& b) {
  if (a.op_case() != b.op_case()) return 0;
  return MessageDifferencer::Equals(a, b) ? 3 : 2;
}

// Steps that both passes have in the same order, as pairs: as many and as alike as can be.
std::vector<std::pair<int, int>> CommonSteps(const Pass& before, const Pass& now) {
  const int a = before.step_size(), b = now.step_size();
  std::vector<std::vector<int>> likeness(a, std::vector<int>(b)), best(a + 1, std::vector<int>(b + 1));
  for (int i = a - 1; i >= 0; --i) {
    for (int j = b - 1; j >= 0; --j) {
      likeness[i][j] = Likeness(before.step(i), now.step(j));
      best[i][j] = std::max(best[i + 1][j], best[i][j + 1]);
      if (likeness[i][j] > 0) best[i][j] = std::max(best[i][j], likeness[i][j] + best[i + 1][j + 1]);
    }
  }
  std::vector<std::pair<int, int>> pairs;
  for (int i = 0, j = 0; i < a && j < b;) {
    if (likeness[i][j] > 0 && best[i][j] == likeness[i][j] + best[i + 1][j + 1]) {
      pairs.emplace_back(i++, j++);
    } else {
      best[i + 1][j] >= best[i][j + 1] ? ++i : ++j;
    }
  }
  return pairs;
}

void AddPass(const Pass& before, const Pass& now, std::vector<std::string>* texts) {
  AddFields(before, now, "", {"name", "note", "step"}, texts);
  const auto pairs = CommonSteps(before, now);
  std::set<int> old_kept, now_kept;
  for (const auto& [i, j] : pairs) old_kept.insert(i), now_kept.insert(j);
  for (int i = 0; i < before.step_size(); ++i) {
    if (!old_kept.contains(i)) texts->push_back(absl::StrCat(NameOfStep(before, i), " was removed"));
  }
  auto pair = pairs.begin();
  for (int j = 0; j < now.step_size(); ++j) {
    if (!now_kept.contains(j)) {
      texts->push_back(absl::StrCat(NameOfStep(now, j), " was added"));
      continue;
    }
    const Step& old = before.step((pair++)->first);
    if (OperatorOf(old) != nullptr) AddFields(ParamsOf(old), ParamsOf(now.step(j)), NameOfStep(now, j), {}, texts);
  }
}

void AddShape(const Mask::Shape& before, const Mask::Shape& now, const std::string& shape,
              std::vector<std::string>* texts) {
  AddFields(before, now, shape, {"path", "at"}, texts);
  if (before.path() != now.path()) texts->push_back(shape + " was redrawn");
  std::map<int, std::string> old, drawn;
  for (const auto& k : before.at()) old[k.frame()] = k.path();
  for (const auto& k : now.at()) drawn[k.frame()] = k.path();
  std::vector<int> redrawn, added, gone;
  for (const auto& [frame, path] : drawn) {
    const auto was = old.find(frame);
    if (was == old.end()) {
      added.push_back(frame);
    } else if (was->second != path) {
      redrawn.push_back(frame);
    }
  }
  for (const auto& [frame, path] : old) {
    if (!drawn.contains(frame)) gone.push_back(frame);
  }
  const auto say = [&](const char* what, const std::vector<int>& frames) {
    if (!frames.empty()) texts->push_back(absl::StrCat(shape, " ", what, " at ", absl::StrJoin(frames, ", ")));
  };
  say("was redrawn", redrawn);
  say("is now drawn", added);
  say("is no longer drawn", gone);
}

void AddMask(const Mask& before, const Mask& now, std::vector<std::string>* texts) {
  AddFields(before, now, "", {"name", "shape"}, texts);
  for (int i = 0; i < std::min(before.shape_size(), now.shape_size()); ++i) {
    AddShape(before.shape(i), now.shape(i), now.shape_size() > 1 ? absl::StrCat("shape ", i + 1) : "shape", texts);
  }
  if (before.shape_size() != now.shape_size()) {
    texts->push_back(absl::StrCat("has ", now.shape_size(), " shapes (had ", before.shape_size(), ")"));
  }
}

void AddAny(const Message& before, const Message& now, std::vector<std::string>* texts) {
  AddFields(before, now, "", {"name"}, texts);
}

// Things with names: what became of each.
template <class Things, class Add>
void AddThings(const char* kind, const Things& before, const Things& now, const Add& add,
               std::vector<StackChange>* changes) {
  for (const auto& thing : now) {
    const std::string where = absl::StrCat(kind, " ", thing.name());
    const auto old =
        std::find_if(before.begin(), before.end(), [&](const auto& t) { return t.name() == thing.name(); });
    if (old == before.end()) {
      changes->push_back({where, "is new"});
    } else if (!MessageDifferencer::Equals(*old, thing)) {
      std::vector<std::string> texts;
      add(*old, thing, &texts);
      for (std::string& text : texts) changes->push_back({where, std::move(text)});
    }
  }
}

template <class Things>
void AddGone(const char* kind, const Things& before, const Things& now, std::vector<StackChange>* changes) {
  for (const auto& thing : before) {
    if (std::none_of(now.begin(), now.end(), [&](const auto& t) { return t.name() == thing.name(); })) {
      changes->push_back({absl::StrCat(kind, " ", thing.name()), "was removed"});
    }
  }
}

}  // namespace

std::vector<StackChange> ChangesOf(const Stack& before, const Stack& now) {
  std::vector<StackChange> changes;
  std::vector<std::string> texts;
  AddFields(before, now, "", {"note", "plate", "mask", "pass", "deliver"}, &texts);
  for (std::string& text : texts) changes.push_back({"", std::move(text)});
  AddThings("plate", before.plate(), now.plate(), AddAny, &changes);
  AddThings("mask", before.mask(), now.mask(), AddMask, &changes);
  AddThings("pass", before.pass(), now.pass(), AddPass, &changes);
  AddThings("deliver", before.deliver(), now.deliver(), AddAny, &changes);
  AddGone("plate", before.plate(), now.plate(), &changes);
  AddGone("mask", before.mask(), now.mask(), &changes);
  AddGone("pass", before.pass(), now.pass(), &changes);
  AddGone("deliver", before.deliver(), now.deliver(), &changes);
  return changes;
}

std::string InWords(const std::vector<StackChange>& changes) {
  std::string out;
  for (const StackChange& c : changes) absl::StrAppend(&out, c.where, c.where.empty() ? "" : ": ", c.text, "\n");
  return out;
}

}  // namespace selvage::client
