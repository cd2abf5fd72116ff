#include "client/loom/shape_json.h"

#include <algorithm>
#include <memory>
#include <set>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "client/language/choices.h"
#include "client/loom/stack_editor.h"
#include "proto/digest.h"

namespace selvage::client {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Message;

// Path data of a thousand points is drawn from /api/curves, and edited there; in the shape of the
// stack it would be most of all that a page has to read at each edit.
constexpr size_t kLongestValue = 4096;

// Two blocks with the same mark say the same. Notes do not count: no pixel depends on them.
std::string MarkOf(const Message& block) {
  std::unique_ptr<Message> copy(block.New());
  copy->CopyFrom(block);
  if (const auto* note = copy->GetDescriptor()->FindFieldByName("note"))
    copy->GetReflection()->ClearField(copy.get(), note);
  return Sha256(copy->SerializeAsString()).Hex().substr(0, 16);
}

void AddOnce(const std::string& name, std::vector<std::string>* names) {
  if (!name.empty() && std::find(names->begin(), names->end(), name) == names->end()) names->push_back(name);
}

// All names of inputs in a message, in the order of its fields.
void CollectInputs(const Message& message, std::vector<std::string>* names) {
  const auto* reflection = message.GetReflection();
  std::vector<const FieldDescriptor*> fields;
  reflection->ListFields(message, &fields);
  for (const FieldDescriptor* field : fields) {
    const int count = field->is_repeated() ? reflection->FieldSize(message, field) : 1;
    for (int i = 0; i < count; ++i) {
      if (field->message_type() != nullptr) {
        CollectInputs(field->is_repeated() ? reflection->GetRepeatedMessage(message, field, i)
                                           : reflection->GetMessage(message, field),
                      names);
      } else if (NamesAnInput(field)) {
        AddOnce(field->is_repeated() ? reflection->GetRepeatedString(message, field, i)
                                     : reflection->GetString(message, field),
                names);
      }
    }
  }
}

// Kinds of passes, from what they come from.
class Kinds {
 public:
  Kinds(const Stack& stack, std::map<std::string, Kind>* kinds) : kinds_(kinds) {
    for (const Plate& plate : stack.plate()) (*kinds)[plate.name()] = KindOf(plate.alpha());
    for (const Mask& mask : stack.mask()) (*kinds)[mask.name()] = MATTE;
  }

  // REQUIRES: what it is made from comes before.
  void Add(const Pass& pass) {
    Kind kind = pass.from().empty() ? KIND_UNSPECIFIED : (*kinds_)[pass.from()];
    for (const Step& step : pass.step()) {
      const Operator* op = OperatorOf(step);
      if (op == nullptr) continue;
      const bool source = op->traits.takes_size() == 0;
      if (!source && TakenAs(op->traits.takes(), kind) == KIND_UNSPECIFIED) {
        kind = op->traits.gives();
      } else {
        kind = KindAfter(step, kind);
      }
    }
    (*kinds_)[pass.name()] = kind;
  }

 private:
  std::map<std::string, Kind>* kinds_;
};

class Shape {
 public:
  Shape(const TextTree& tree, const Stack& stack, bool with_places, JsonWriter* out)
      : tree_(tree), units_(tree.text()), stack_(stack), with_places_(with_places), out_(*out) {}

  void Write() {
    const Weave weave = WeaveOf(stack_);
    out_.Text("name", stack_.name()).Text("note", stack_.note());
    out_.Key("frames").Object().Whole("first", stack_.frames().first()).Whole("last", stack_.frames().last());
    out_.EndObject().Key("format").Object();
    if (stack_.has_format()) out_.Whole("width", stack_.format().width()).Whole("height", stack_.format().height());
    out_.EndObject();
    List("plates", "plate");
    List("masks", "mask");
    out_.Key("passes").Array();
    for (int pass : tree_.Children(TextTree::kRoot, "pass")) WritePass(pass, weave);
    out_.EndArray().Key("order").Array();
    for (const std::string& name : weave.order) out_.Text(name);
    out_.EndArray();
    List("deliverables", "deliver");
  }

 private:
  void List(const char* name, const char* field) {
    out_.Key(name).Array();
    for (int node : tree_.Children(TextTree::kRoot, field)) {
      out_.Object();
      const int named = tree_.Child(node, "name");
      out_.Text("name", named < 0 ? "" : tree_.TextValue(named));
      Mark(field, tree_.node(node).place.index);
      BlockMembers(node);
      out_.EndObject();
    }
    out_.EndArray();
  }

  void Mark(const char* field, int index) {
    const FieldDescriptor* list = Stack::descriptor()->FindFieldByName(field);
    const auto* reflection = stack_.GetReflection();
    // Text and message were read by different readers: neither must be trusted to be as long as the other.
    if (index < reflection->FieldSize(stack_, list))
      out_.Text("mark", MarkOf(reflection->GetRepeatedMessage(stack_, list, index)));
  }

  void Names(const char* key, const std::map<std::string, std::vector<std::string>>& all, const std::string& of) {
    out_.Key(key).Array();
    if (const auto found = all.find(of); found != all.end()) {
      for (const std::string& name : found->second) out_.Text(name);
    }
    out_.EndArray();
  }

  void WritePass(int node, const Weave& weave) {
    const int index = tree_.node(node).place.index;
    const Pass& pass = index < stack_.pass_size() ? stack_.pass(index) : Pass::default_instance();
    out_.Object().Text("name", pass.name()).Text("from", pass.from());
    out_.Text("keep", Pass::Keep_Name(pass.keep())).Text("note", pass.note());
    const auto kind = weave.kinds.find(pass.name());
    out_.Text("gives", kind == weave.kinds.end() ? "" : KindWord(kind->second));
    Mark("pass", index);
    Names("inputs", weave.inputs, pass.name());
    Names("dependents", weave.dependents, pass.name());
    out_.Key("steps").Array();
    std::map<std::string, int> seen;
    for (int step : tree_.Children(node, "step")) {
      out_.Object().Text("path", tree_.PathOf(step));
      Place(step);
      const auto& children = tree_.node(step).children;
      const std::string op = children.empty() ? "" : tree_.node(children[0]).place.field->name();
      out_.Text("operator", op).Whole("which", ++seen[op]);
      out_.Key("fields");
      if (children.empty()) {
        out_.Object().EndObject();
      } else {
        Fields(children[0], "");
      }
      out_.EndObject();
    }
    out_.EndArray();
    if (with_places_) Muted(node);
    BlockMembers(node, "step");
    out_.EndObject();
  }

  // Steps of a pass that are muted: whole lines of comment.
  void Muted(int pass) {
    const FieldPlace& place = tree_.node(pass).place;
    const absl::string_view text = tree_.text().substr(0, place.end);
    const std::vector<int> steps = tree_.Children(pass, "step");
    out_.Key("muted").Array();
    for (size_t at = text.find(kMuted, place.value); at != absl::string_view::npos; at = text.find(kMuted, at + 1)) {
      const size_t before = text.find_last_not_of(" \t", at - 1);
      if (before == absl::string_view::npos || text[before] != '\n') continue;
      size_t end = std::min(text.find('\n', at), text.size());
      std::string step(text.substr(at + kMuted.size(), end - at - kMuted.size()));
      while (end < text.size()) {
        const size_t next = text.find_first_not_of(" \t", end + 1);
        if (next == absl::string_view::npos || text.substr(next, kMutedMore.size()) != kMutedMore) break;
        const size_t line_end = std::min(text.find('\n', next), text.size());
        absl::StrAppend(&step, "\n", text.substr(next + kMutedMore.size(), line_end - next - kMutedMore.size()));
        end = line_end;
      }
      const auto behind = std::find_if(steps.begin(), steps.end(), [&](int s) { return tree_.node(s).place.at > at; });
      const size_t begin = units_.UnitsAt(at);
      out_.Object().Key("place").Array().Whole(static_cast<int64_t>(begin));
      out_.Whole(static_cast<int64_t>(units_.UnitsAt(end) - begin)).EndArray();
      out_.Text("text", step).Whole("before", behind - steps.begin()).EndObject();
    }
    out_.EndArray();
  }

  void Place(int node) {
    if (!with_places_) return;
    const FieldPlace& place = tree_.node(node).place;
    const size_t begin = units_.UnitsAt(place.at);
    out_.Key("place").Array().Whole(static_cast<int64_t>(begin));
    out_.Whole(static_cast<int64_t>(units_.UnitsAt(place.end) - begin)).EndArray();
  }

  // `but`: a field that is written otherwise.
  void BlockMembers(int node, const std::string& but = "") {
    out_.Text("path", tree_.PathOf(node));
    Place(node);
    out_.Key("fields");
    Fields(node, but);
  }

  void Fields(int node, const std::string& but) {
    out_.Object();
    std::set<const FieldDescriptor*> done;
    for (int child : tree_.node(node).children) {
      const FieldDescriptor* field = tree_.node(child).place.field;
      if (field->name() == but || !done.insert(field).second) continue;
      out_.Key(field->name());
      if (!field->is_repeated()) {
        Value(child);
        continue;
      }
      out_.Array();
      for (int entry : tree_.node(node).children) {
        if (tree_.node(entry).place.field == field) Value(entry);
      }
      out_.EndArray();
    }
    out_.EndObject();
  }

  void Value(int node) {
    const TextNode& n = tree_.node(node);
    out_.Object();
    if (n.type == Number::descriptor() || n.type == Color::descriptor()) {
      Place(node);
      Animated(node);
    } else if (n.type != nullptr) {
      BlockMembers(node);
    } else {
      Place(node);
      if (tree_.Value(node).size() > kLongestValue) {
        out_.Whole("long", static_cast<int64_t>(tree_.Value(node).size()));
      } else {
        out_.Key("value");
        Plain(node);
      }
    }
    out_.EndObject();
  }

  void Plain(int node) {
    const FieldDescriptor* field = tree_.node(node).place.field;
    const absl::string_view text = tree_.Value(node);
    switch (field->cpp_type()) {
      case FieldDescriptor::CPPTYPE_STRING:
        out_.Text(tree_.TextValue(node));
        return;
      case FieldDescriptor::CPPTYPE_BOOL:
        out_.Bool(!text.empty() && absl::ascii_tolower(static_cast<unsigned char>(text[0])) == 't');
        return;
      case FieldDescriptor::CPPTYPE_ENUM: {
        const auto* choice = FindChoice(field->enum_type(), text);
        out_.Text(choice == nullptr
                      ? text
                      : absl::string_view(ChoicesOf(field->enum_type())[static_cast<size_t>(choice->index())]));
        return;
      }
      default:
        if (const auto number = tree_.NumberValue(node)) {
          out_.Number(*number);
        } else {
          out_.Text(text);
        }
    }
  }

  // The message of a number or colour: the text knows short forms, the message what they mean.
  const Message* MessageOf(int node) const {
    std::vector<int> way;
    for (int i = node; i > TextTree::kRoot; i = tree_.node(i).place.parent) way.push_back(i);
    const Message* message = &stack_;
    for (auto i = way.rbegin(); i != way.rend(); ++i) {
      const FieldPlace& place = tree_.node(*i).place;
      const auto* reflection = message->GetReflection();
      if (!place.field->is_repeated()) {
        message = &reflection->GetMessage(*message, place.field);
      } else if (place.index < reflection->FieldSize(*message, place.field)) {
        message = &reflection->GetRepeatedMessage(*message, place.field, place.index);
      } else {
        return nullptr;
      }
    }
    return message;
  }

  template <class T>
  void RGB(const T& color) {
    out_.Array().Number(color.r()).Number(color.g()).Number(color.b()).EndArray();
  }

  void Animated(int node) {
    const Message* message = MessageOf(node);
    if (message == nullptr) return;
    if (const auto* number = dynamic_cast<const Number*>(message)) {
      if (number->at_size() == 0) {
        out_.Key("value");
        if (number->has_value()) {
          out_.Number(number->value());
        } else {
          out_.Raw("null");
        }
        return;
      }
      out_.Key("at").Array();
      for (const auto& key : number->at()) {
        out_.Object().Whole("frame", key.frame()).Number("value", key.value()).EndObject();
      }
      out_.EndArray().Text("ease", Ease_Name(number->ease()));
    } else if (const auto* color = dynamic_cast<const Color*>(message)) {
      if (color->at_size() == 0) {
        out_.Key("value");
        RGB(*color);
        return;
      }
      out_.Key("at").Array();
      for (const auto& key : color->at()) {
        out_.Object().Whole("frame", key.frame()).Key("value");
        RGB(key);
        out_.EndObject();
      }
      out_.EndArray().Text("ease", Ease_Name(color->ease()));
    }
  }

  const TextTree& tree_;
  TextUnits units_;
  const Stack& stack_;
  const bool with_places_;
  JsonWriter& out_;
};

}  // namespace

const char* KindWord(Kind kind) {
  switch (kind) {
    case MATTE:
      return "matte";
    case STRAIGHT:
      return "straight";
    case PREMULTIPLIED:
      return "premultiplied";
    case OPAQUE:
      return "opaque";
    default:
      return "";
  }
}

bool NamesAnInput(const FieldDescriptor* field) {
  if (field->cpp_type() != FieldDescriptor::CPPTYPE_STRING) return false;
  if (TraitsOf(field).input_size() > 0) return true;
  const Descriptor* in = field->containing_type();
  return field->name() == "from" &&
         (in == Pass::descriptor() || in == Deliverable::descriptor() || in == Deliverable::Layer::descriptor());
}

Weave WeaveOf(const Stack& stack) {
  Weave weave;
  const auto note = [&](const std::string& name, const Message& message) {
    std::vector<std::string>& inputs = weave.inputs[name];
    CollectInputs(message, &inputs);
    for (const std::string& input : inputs) AddOnce(name, &weave.dependents[input]);
  };
  for (const Mask& mask : stack.mask()) note(mask.name(), mask);
  for (const Pass& pass : stack.pass()) note(pass.name(), pass);
  for (const Deliverable& d : stack.deliver()) note("deliver " + d.name(), d);

  // Passes that wait for others, in the order of the text.
  std::map<std::string, const Pass*> passes;
  std::map<std::string, int> waits;
  for (const Pass& pass : stack.pass()) passes[pass.name()] = &pass;
  Kinds kinds(stack, &weave.kinds);
  // A mask that follows stands between passes as well.
  const auto made_from = [&](const std::string& name) {
    std::vector<std::string> out;
    for (const std::string& input : weave.inputs[name]) {
      if (passes.count(input) > 0) {
        AddOnce(input, &out);
      } else if (const auto through = weave.inputs.find(input); through != weave.inputs.end()) {
        for (const std::string& i : through->second) {
          if (passes.count(i) > 0) AddOnce(i, &out);
        }
      }
    }
    return out;
  };
  std::map<std::string, std::vector<std::string>> wakes;
  std::vector<std::string> ready;
  for (const Pass& pass : stack.pass()) {
    const auto from = made_from(pass.name());
    waits[pass.name()] = static_cast<int>(from.size());
    for (const std::string& f : from) wakes[f].push_back(pass.name());
    if (from.empty()) ready.push_back(pass.name());
  }
  for (size_t i = 0; i < ready.size(); ++i) {
    const std::string name = ready[i];
    kinds.Add(*passes[name]);
    weave.order.push_back(name);
    for (const std::string& woken : wakes[name]) {
      if (--waits[woken] == 0) ready.push_back(woken);
    }
  }
  const std::set<std::string> ordered(weave.order.begin(), weave.order.end());
  for (const Pass& pass : stack.pass()) {
    if (ordered.count(pass.name()) == 0) AddOnce(pass.name(), &weave.order);
  }
  return weave;
}

void WriteShape(const TextTree& tree, const Stack& stack, bool with_places, JsonWriter* out) {
  Shape(tree, stack, with_places, out).Write();
}

}  // namespace selvage::client
