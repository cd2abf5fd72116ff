// Examples of the manual. Each is a piece of a stack; WholeStack puts around it
// what it names, so that it can be checked.
#pragma once

#include <string>

#include "proto/catalogue.h"

namespace selvage::client {

// `step { choke { pixels: 2.5 } }`; `more` is put behind the other fields.
std::string ExampleStep(const Operator& op, const std::string& more = "");

// A stack that is right if the piece is: a step, or blocks of the stack itself.
// What the piece names ("plate", "matte", "background", ...) is there.
std::string WholeStack(const std::string& piece, const Operator* op = nullptr);

}  // namespace selvage::client
