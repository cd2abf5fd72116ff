// A first stack made for a plate: `selvage new`, and the loom that is open on no stack.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "client/connection.h"
#include "client/start/starting_stack.h"

namespace selvage::client {

// As an artist gives it; "" is not given.
struct NewStack {
  // Patterns, or one frame's path.
  std::string plate, background;
  // The stack to write.
  std::string output;
  // "1001-1048"
  std::string frames;
  std::string encoding;
  // X,Y,WIDTH,HEIGHT or X,Y,WIDTH,HEIGHT@FRAME.
  std::string screen_box;
  bool replace = false;
};

// Has the daemon survey the plate, and writes the stack that keys it.
// Errors: ALREADY_EXISTS `output`; INVALID_ARGUMENT, NOT_FOUND what was given, the plate, or no
// screen in it; PERMISSION_DENIED it cannot be written; those of the daemon.
absl::StatusOr<StartingStack> WriteNewStack(Connection* connection, const NewStack& wish);

}  // namespace selvage::client
