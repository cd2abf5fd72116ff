// Operators as the descriptors know them. Validation, canonical bytes, planner,
// worker and manual all read this; there is no second list.
#pragma once

#include <string>
#include <vector>

#include "google/protobuf/descriptor.h"
#include "google/protobuf/message.h"
#include "google/protobuf/repeated_field.h"
#include "proto/options.pb.h"
#include "proto/stack.pb.h"
#include "proto/step.pb.h"

namespace selvage {

struct Operator {
  // "color_difference": the name of its field in Step.
  std::string name;
  const google::protobuf::FieldDescriptor* field;
  const google::protobuf::Descriptor* message;
  OpTraits traits;

  // GLOBAL and TEMPORAL: a segment of its own.
  bool heavy() const { return traits.extent() == GLOBAL || traits.extent() == TEMPORAL; }
};

// All operators, in field number order (internal ones too).
const std::vector<Operator>& Operators();
// nullptr if there is none.
const Operator* FindOperator(const std::string& name);
// The operator that a step holds; nullptr for an empty step.
const Operator* OperatorOf(const Step& step);
// Its parameters. REQUIRES: OperatorOf(step) != nullptr.
const google::protobuf::Message& ParamsOf(const Step& step);
google::protobuf::Message* MutableParamsOf(Step* step);

// Closest of these names to a misspelt one, or "" if none is close.
std::string ClosestName(const std::string& misspelt, const std::vector<std::string>& names);
// The same over all operators for stacks.
std::string ClosestOperator(const std::string& misspelt);

// Traits of a parameter field (empty if it declares none).
const ParamTraits& TraitsOf(const google::protobuf::FieldDescriptor* field);

// A field in some parameters that names another input, or a box to measure.
struct Port {
  // Path from the operator's message: "with", "screen.clean_plate", "layer[0].from".
  std::string path;
  // The same as result keys have it: see ParamTraits.keyed_as.
  std::string keyed_path;
  ParamTraits traits;
  // The name given; "" for a measured box or an optional input left out.
  std::string name;
  // Set for a measured box.
  const SampleBox* box = nullptr;
};

// All ports that are set in these parameters, and required ones that are not
// (name ""), depth first in field number order.
std::vector<Port> PortsOf(const google::protobuf::Message& params);

// Frames before and after that the main input is needed at (0 for most).
int WindowOf(const google::protobuf::Message& params);

// How an input that takes some kinds treats one of kind `given`: itself, or
// STRAIGHT or PREMULTIPLIED for an OPAQUE one where OPAQUE is not among them.
// KIND_UNSPECIFIED if it is refused.
Kind TakenAs(const google::protobuf::RepeatedField<int>& takes, Kind given);
// Kind of a plate whose alpha is meant so.
Kind KindOf(Plate::Alpha alpha);
// Kind that comes out of a step whose main input is of this kind (ignored for
// a source). REQUIRES: the step takes it.
Kind KindAfter(const Step& step, Kind main);

// A kind as a word for people: "matte", "straight colour", ...
std::string KindName(Kind kind);

}  // namespace selvage
