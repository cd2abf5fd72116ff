// Checks of parameter values against their traits.
#pragma once

#include <functional>

#include "proto/catalogue.h"
#include "proto/stack.pb.h"
#include "server/plan/faults.h"

namespace selvage::plan {

// "key frame 1010 comes after key frame 1020, ..."
std::string KeyFrameMisplaced(int32_t frame, int32_t before);

void CheckNumber(const Place& at, const Number& n, const ParamTraits& traits, Faults* faults);
void CheckColor(const Place& at, const Color& c, const ParamTraits& traits, Faults* faults);

// Called for each field that names another input, whether given or required
// and left out (then with an empty name).
using CheckInput = std::function<void(const Place& at, const ParamTraits& traits, const std::string& name)>;

// All values of some parameters, as their traits say, in field number order.
void CheckValues(const Place& at, const Stack& stack, const google::protobuf::Message& params,
                 const CheckInput& check_input, Faults* faults);

// What the fields mean together: levels that are upside down, a grey screen.
void CheckMeaning(const Place& at, const Step& step, Faults* faults);

// Fields and enum values of another version, anywhere in a message. Something
// that is not understood must not be dropped in silence.
void CheckKnown(const std::string& path, const google::protobuf::Message& m, Faults* faults);

}  // namespace selvage::plan
