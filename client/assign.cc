#include "client/assign.h"

#include <charconv>
#include <cmath>
#include <optional>
#include <vector>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "google/protobuf/text_format.h"
#include "proto/catalogue.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;

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
    return absl::InvalidArgumentError(absl::StrCat("\"", text, "\": a number from 1 belongs between the brackets"));
  }
  return part;
}

absl::StatusOr<double> ParseDouble(const std::string& text) {
  double value;
  if (!absl::SimpleAtod(text, &value) || !std::isfinite(value)) {
    return absl::InvalidArgumentError(absl::StrCat("\"", text, "\" is not a number"));
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

absl::Status SetNumber(const std::string& value, std::optional<int> frame, Number* number) {
  ASSIGN_OR_RETURN(const double v, ParseDouble(value));
  if (frame) {
    number->clear_value();
    KeyFrameAt(number, *frame)->set_value(v);
  } else {
    number->Clear();
    number->set_value(v);
  }
  return absl::OkStatus();
}

absl::Status SetColor(const std::string& value, std::optional<int> frame, Color* color) {
  std::vector<std::string> pieces = absl::StrSplit(value, ',');
  if (pieces.size() == 1) pieces.assign(3, pieces[0]);
  if (pieces.size() != 3) {
    return absl::InvalidArgumentError(absl::StrCat("\"", value, "\": a colour is one number or three with commas"));
  }
  double rgb[3];
  for (int c = 0; c < 3; ++c) {
    ASSIGN_OR_RETURN(rgb[c], ParseDouble(pieces[c]));
  }
  const auto fill = [&](auto* target) {
    target->set_r(rgb[0]);
    target->set_g(rgb[1]);
    target->set_b(rgb[2]);
  };
  if (frame) {
    color->clear_r();
    color->clear_g();
    color->clear_b();
    fill(KeyFrameAt(color, *frame));
  } else {
    color->Clear();
    fill(color);
  }
  return absl::OkStatus();
}

absl::Status SetField(const std::string& value, std::optional<int> frame, const FieldDescriptor* field,
                      Message* message) {
  const auto* reflection = message->GetReflection();
  if (field->is_repeated()) {
    return absl::InvalidArgumentError(absl::StrCat("\"", field->name(), "\" is a list; change it in the file"));
  }
  if (field->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
    Message* child = reflection->MutableMessage(message, field);
    if (auto* number = dynamic_cast<Number*>(child)) return SetNumber(value, frame, number);
    if (auto* color = dynamic_cast<Color*>(child)) return SetColor(value, frame, color);
    return absl::InvalidArgumentError(absl::StrCat("\"", field->name(), "\" has fields of its own; name one of them"));
  }
  if (frame) {
    return absl::InvalidArgumentError(absl::StrCat("\"", field->name(), "\" does not move; leave @", *frame, " out"));
  }
  reflection->ClearField(message, field);
  const bool text = field->cpp_type() == FieldDescriptor::CPPTYPE_STRING;
  const std::string literal = text ? absl::StrCat("\"", value, "\"") : value;
  if (!google::protobuf::TextFormat::ParseFieldValueFromString(literal, field, message)) {
    std::string allowed;
    if (field->cpp_type() == FieldDescriptor::CPPTYPE_ENUM) {
      for (int i = 0; i < field->enum_type()->value_count(); ++i) {
        absl::StrAppend(&allowed, i ? ", " : "; allowed: ", field->enum_type()->value(i)->name());
      }
    }
    return absl::InvalidArgumentError(absl::StrCat("\"", value, "\" does not fit ", field->name(), allowed));
  }
  return absl::OkStatus();
}

std::string FieldNames(const google::protobuf::Descriptor* type) {
  std::vector<std::string> names;
  for (int i = 0; i < type->field_count(); ++i) names.push_back(type->field(i)->name());
  return absl::StrJoin(names, ", ");
}

template <class List>
Message* Named(List* list, const std::string& name) {
  for (auto& item : *list) {
    if (item.name() == name) return &item;
  }
  return nullptr;
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
  return absl::InvalidArgumentError(absl::StrCat("pass \"", pass->name(), "\" has no step ", part.name,
                                                 part.which > 1 ? absl::StrCat("[", part.which, "]") : "",
                                                 "; its steps are ", absl::StrJoin(there, ", ")));
}

}  // namespace

absl::Status Assign(const std::string& assignment, Stack* stack) {
  const Annotate where("--set ", assignment);
  const size_t equals = assignment.find('=');
  if (equals == std::string::npos || equals == 0) {
    return where(absl::InvalidArgumentError("expected PATH=VALUE, as in comp_grade.grade.stops=0.3"));
  }
  std::string path = assignment.substr(0, equals);
  const std::string value = assignment.substr(equals + 1);
  std::optional<int> frame;
  if (const size_t at = path.find('@'); at != std::string::npos) {
    int number;
    if (!absl::SimpleAtoi(path.substr(at + 1), &number)) {
      return where(absl::InvalidArgumentError("a frame number belongs after @"));
    }
    frame = number;
    path.resize(at);
  }
  const std::vector<std::string> pieces = absl::StrSplit(path, '.');
  Message* message = nullptr;
  size_t next = 1;
  if (pieces[0] == "frames" || pieces[0] == "format") {
    message = stack;
    next = 0;
  } else if (Message* pass = Named(stack->mutable_pass(), pieces[0])) {
    message = pass;
  } else if (Message* plate = Named(stack->mutable_plate(), pieces[0])) {
    message = plate;
  } else if (Message* mask = Named(stack->mutable_mask(), pieces[0])) {
    message = mask;
  } else if (Message* deliverable = Named(stack->mutable_deliver(), pieces[0])) {
    message = deliverable;
  } else {
    return where(absl::InvalidArgumentError(
        absl::StrCat("the stack has no pass, plate, mask or deliverable \"", pieces[0], "\"")));
  }
  for (; next < pieces.size(); ++next) {
    ASSIGN_OR_RETURN(const Part part, ParsePart(pieces[next]), where);
    if (auto* pass = dynamic_cast<Pass*>(message); pass != nullptr && FindOperator(part.name) != nullptr) {
      ASSIGN_OR_RETURN(message, StepOf(pass, part), where);
      continue;
    }
    const FieldDescriptor* field = message->GetDescriptor()->FindFieldByName(part.name);
    if (field == nullptr) {
      return where(absl::InvalidArgumentError(
          absl::StrCat("there is no \"", part.name, "\" here; there are ", FieldNames(message->GetDescriptor()))));
    }
    if (next + 1 == pieces.size()) {
      RETURN_IF_ERROR(SetField(value, frame, field, message), where);
      return absl::OkStatus();
    }
    if (field->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) {
      return where(absl::InvalidArgumentError(absl::StrCat("\"", part.name, "\" has no fields of its own")));
    }
    const auto* reflection = message->GetReflection();
    if (field->is_repeated()) {
      if (part.which > reflection->FieldSize(*message, field)) {
        return where(absl::InvalidArgumentError(absl::StrCat("there is no ", part.name, "[", part.which,
                                                             "]; there are ", reflection->FieldSize(*message, field))));
      }
      message = reflection->MutableRepeatedMessage(message, field, part.which - 1);
    } else {
      message = reflection->MutableMessage(message, field);
    }
  }
  return where(absl::InvalidArgumentError("name a field to set after the last dot"));
}

}  // namespace selvage::client
