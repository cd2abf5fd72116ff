#include "client/language/assign.h"

#include <cmath>
#include <optional>
#include <vector>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "client/language/choices.h"
#include "client/language/field_names.h"
#include "client/utf8.h"
#include "google/protobuf/io/tokenizer.h"
#include "google/protobuf/text_format.h"
#include "proto/catalogue.h"
#include "proto/short_forms.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;

absl::Status Refused(const std::string& text) { return absl::InvalidArgumentError(text); }

std::string DidYouMean(const std::string& name, const std::vector<std::string>& names) {
  const std::string closest = ClosestName(name, names);
  return closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?");
}

// "levels[2]" -> levels, 2; no bracket = 1.
struct Part {
  std::string name;
  int which = 1;
};

absl::StatusOr<Part> ParsePart(const std::string& text) {
  Part part;
  const size_t bracket = text.find('[');
  part.name = text.substr(0, bracket);
  if (bracket == std::string::npos) return part;
  if (text.back() != ']' || !absl::SimpleAtoi(text.substr(bracket + 1, text.size() - bracket - 2), &part.which) ||
      part.which < 1) {
    return Refused(absl::StrCat("\"", text, "\": a number from 1 belongs between the brackets"));
  }
  return part;
}

absl::StatusOr<double> ParseDouble(const std::string& text) {
  double value;
  if (!absl::SimpleAtod(text, &value) || !std::isfinite(value)) {
    return Refused(absl::StrCat("\"", text, "\" is not a number"));
  }
  return value;
}

// Key frame `frame` of a Number or Color, made in its place if there is none.
template <class T>
typename T::KeyFrame* KeyFrameAt(T* animated, int frame) {
  int at = 0;
  while (at < animated->at_size() && animated->at(at).frame() < frame) ++at;
  if (at < animated->at_size() && animated->at(at).frame() == frame) return animated->mutable_at(at);
  animated->add_at()->set_frame(frame);
  for (int i = animated->at_size() - 1; i > at; --i) animated->mutable_at()->SwapElements(i, i - 1);
  return animated->mutable_at(at);
}

// Sets one field: what it is to become, and at which frame.
class Assignment {
 public:
  Assignment(const std::string& value, std::optional<int> frame, const FrameRange& frames)
      : value_(value), frame_(frame), frames_(frames) {}

  absl::Status Set(const FieldDescriptor* field, Message* message) const {
    const auto* reflection = message->GetReflection();
    if (field->is_repeated()) return Refused(absl::StrCat("\"", field->name(), "\" is a list; change it in the file"));
    if (field->message_type() == Number::descriptor()) {
      return SetNumber(field, static_cast<Number*>(reflection->MutableMessage(message, field)));
    }
    if (field->message_type() == Color::descriptor()) {
      return SetColor(field, static_cast<Color*>(reflection->MutableMessage(message, field)));
    }
    if (field->message_type() != nullptr) {
      return Refused(absl::StrCat("\"", field->name(), "\" has fields of its own; name one of them: ",
                                  absl::StrJoin(FieldNames(field->message_type()), ", ")));
    }
    if (frame_) {
      return Refused(absl::StrCat("\"", field->name(), "\" is the same for the whole shot; leave @", *frame_, " out"));
    }
    if (field->cpp_type() == FieldDescriptor::CPPTYPE_STRING) return SetText(field, message);
    if (field->cpp_type() == FieldDescriptor::CPPTYPE_ENUM) return SetChoice(field, message);
    return SetPlain(field, message);
  }

 private:
  // With @FRAME only what has key frames can change at one.
  absl::Status CheckFrame(const FieldDescriptor* field, int key_frames) const {
    if (!frame_) return absl::OkStatus();
    if (*frame_ < frames_.first() || *frame_ > frames_.last()) {
      return Refused(
          absl::StrCat("frame ", *frame_, " is outside the stack's frames ", frames_.first(), "-", frames_.last()));
    }
    if (key_frames > 0) return absl::OkStatus();
    return Refused(absl::StrCat("\"", field->name(),
                                "\" has no key frames, so it is the same for the whole shot; leave @", *frame_,
                                " out to change it everywhere, or give it key frames in the file: ", field->name(),
                                " { at { frame: ", frames_.first(), " ... } at { frame: ", *frame_, " ... } }"));
  }

  absl::Status SetNumber(const FieldDescriptor* field, Number* number) const {
    RETURN_IF_ERROR(CheckFrame(field, number->at_size()));
    ASSIGN_OR_RETURN(const double v, ParseDouble(value_));
    if (frame_) {
      KeyFrameAt(number, *frame_)->set_value(v);
    } else {
      number->Clear();
      number->set_value(v);
    }
    return absl::OkStatus();
  }

  absl::Status SetColor(const FieldDescriptor* field, Color* color) const {
    RETURN_IF_ERROR(CheckFrame(field, color->at_size()));
    double rgb[3];
    if (!ParseWebColor(value_, rgb)) {
      std::vector<std::string> pieces = absl::StrSplit(value_, ',');
      if (pieces.size() == 1) pieces.assign(3, pieces[0]);
      if (pieces.size() != 3) {
        return Refused(absl::StrCat("\"", value_, "\": a colour is one number, three with commas, or as in #00b140"));
      }
      for (int c = 0; c < 3; ++c) {
        ASSIGN_OR_RETURN(rgb[c], ParseDouble(pieces[c]));
      }
    }
    const auto fill = [&](auto* target) {
      target->set_r(rgb[0]);
      target->set_g(rgb[1]);
      target->set_b(rgb[2]);
    };
    if (frame_) {
      fill(KeyFrameAt(color, *frame_));
    } else {
      color->Clear();
      fill(color);
    }
    return absl::OkStatus();
  }

  absl::Status SetText(const FieldDescriptor* field, Message* message) const {
    if (InvalidUtf8At(value_) != absl::string_view::npos) {
      return Refused(absl::StrCat("the value for ", field->name(), " is not text in UTF-8"));
    }
    message->GetReflection()->SetString(message, field, value_);
    return absl::OkStatus();
  }

  absl::Status SetChoice(const FieldDescriptor* field, Message* message) const {
    const auto* choice = FindChoice(field->enum_type(), value_);
    if (choice == nullptr) {
      return Refused(
          absl::StrCat(field->name(), " cannot be \"", value_, "\"", ChoiceHelp(field->enum_type(), value_)));
    }
    message->GetReflection()->SetEnum(message, field, choice);
    return absl::OkStatus();
  }

  absl::Status SetPlain(const FieldDescriptor* field, Message* message) const {
    // Without a collector protobuf would print its own words.
    class Silence : public google::protobuf::io::ErrorCollector {
      void AddError(int, int, const std::string&) override {}
      void AddWarning(int, int, const std::string&) override {}
    } silence;
    google::protobuf::TextFormat::Parser parser;
    parser.RecordErrorsTo(&silence);
    message->GetReflection()->ClearField(message, field);
    if (parser.ParseFieldValueFromString(value_, field, message)) return absl::OkStatus();
    return Refused(
        absl::StrCat("\"", value_, "\" does not fit ", field->name(), ", which is written as in ", ExampleOf(field)));
  }

  const std::string& value_;
  std::optional<int> frame_;
  const FrameRange& frames_;
};

template <class List>
Message* Named(List* list, const std::string& name, std::vector<std::string>* names) {
  for (auto& item : *list) {
    if (item.name() == name) return &item;
    names->push_back(item.name());
  }
  return nullptr;
}

// What the first part of a path names; the stack itself for one of its fields.
absl::StatusOr<Message*> Root(const std::string& name, Stack* stack) {
  if (name == "frames" || name == "format" || name == "proxy") return stack;
  std::vector<std::string> names = {"frames", "format", "proxy"};
  if (Message* pass = Named(stack->mutable_pass(), name, &names)) return pass;
  if (Message* plate = Named(stack->mutable_plate(), name, &names)) return plate;
  if (Message* mask = Named(stack->mutable_mask(), name, &names)) return mask;
  if (Message* deliverable = Named(stack->mutable_deliver(), name, &names)) return deliverable;
  return Refused(
      absl::StrCat("the stack has no pass, plate, mask or deliverable \"", name, "\"", DidYouMean(name, names)));
}

absl::StatusOr<Message*> StepOf(Pass* pass, const Part& part) {
  int seen = 0;
  std::vector<std::string> there;
  for (Step& step : *pass->mutable_step()) {
    const Operator* op = OperatorOf(step);
    if (op == nullptr) continue;
    there.push_back(op->name);
    if (op->name == part.name && ++seen == part.which) return MutableParamsOf(&step);
  }
  return Refused(absl::StrCat(
      "pass \"", pass->name(), "\" has no step ", part.name, part.which > 1 ? absl::StrCat("[", part.which, "]") : "",
      there.empty() ? "; it has no steps" : absl::StrCat("; its steps are ", absl::StrJoin(there, ", "))));
}

// The message that a field holds.
absl::StatusOr<Message*> Inside(const FieldDescriptor* field, const Part& part, Message* message) {
  if (field->message_type() == nullptr) return Refused(absl::StrCat("\"", part.name, "\" has no fields of its own"));
  const auto* reflection = message->GetReflection();
  if (!field->is_repeated()) return reflection->MutableMessage(message, field);
  const int count = reflection->FieldSize(*message, field);
  if (part.which <= count) return reflection->MutableRepeatedMessage(message, field, part.which - 1);
  return Refused(
      absl::StrCat("there is no ", part.name, "[", part.which, "]; there ", count == 1 ? "is " : "are ", count));
}

absl::StatusOr<const FieldDescriptor*> FindField(const std::string& name, const Message& message) {
  if (const FieldDescriptor* field = message.GetDescriptor()->FindFieldByName(name)) return field;
  const std::vector<std::string> names = FieldNames(message.GetDescriptor());
  return Refused(absl::StrCat("there is no \"", name, "\" here", DidYouMean(name, names), "; there are ",
                              absl::StrJoin(names, ", ")));
}

absl::Status Walk(const std::vector<std::string>& pieces, const Assignment& assignment, Stack* stack) {
  ASSIGN_OR_RETURN(Message * message, Root(pieces[0], stack));
  for (size_t next = message == stack ? 0 : 1; next < pieces.size(); ++next) {
    ASSIGN_OR_RETURN(const Part part, ParsePart(pieces[next]));
    if (auto* pass = dynamic_cast<Pass*>(message); pass != nullptr && FindOperator(part.name) != nullptr) {
      ASSIGN_OR_RETURN(message, StepOf(pass, part));
      continue;
    }
    ASSIGN_OR_RETURN(const FieldDescriptor* field, FindField(part.name, *message));
    if (next + 1 == pieces.size()) return assignment.Set(field, message);
    ASSIGN_OR_RETURN(message, Inside(field, part, message));
  }
  return Refused("name a field to set after the last dot");
}

}  // namespace

absl::Status Assign(const std::string& assignment, Stack* stack) {
  const Annotate where("--set ", assignment);
  const size_t equals = assignment.find('=');
  if (equals == std::string::npos || equals == 0) {
    return where(Refused("expected PATH=VALUE, as in comp_grade.grade.stops=0.3"));
  }
  std::string path = assignment.substr(0, equals);
  std::optional<int> frame;
  if (const size_t at = path.find('@'); at != std::string::npos) {
    int number;
    if (!absl::SimpleAtoi(path.substr(at + 1), &number)) {
      return where(Refused("a frame number belongs after @"));
    }
    frame = number;
    path.resize(at);
  }
  const std::vector<std::string> pieces = absl::StrSplit(path, '.');
  const FrameRange frames = stack->frames();
  RETURN_IF_ERROR(Walk(pieces, Assignment(assignment.substr(equals + 1), frame, frames), stack), where);
  return absl::OkStatus();
}

}  // namespace selvage::client
