// A list of shots that are keyed with one stack: proto/shots.proto as text, or CSV.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "proto/shots.pb.h"
#include "proto/stack.pb.h"

namespace selvage::client {

struct ListedShot {
  ShotList::Shot shot;
  // "lot.csv:3".
  std::string where;
  // What is wrong with this line; the others are good nevertheless.
  absl::Status fault;
};

// A file that ends in .csv has a header: `name`, `frames` (1001-1048), `plate:NAME` for the
// files of a plate, and any path as --set has it; an empty cell leaves what the stack says.
// Every other file holds `shot { ... }` as text.
// Errors: INVALID_ARGUMENT  no such file, or one that is no list.
absl::StatusOr<std::vector<ListedShot>> ReadShots(const std::string& path);

// The stack of a shot. `folder`: of the list, where relative files start.
// Errors: INVALID_ARGUMENT.
absl::StatusOr<Stack> StackOfShot(const Stack& stack, const ShotList::Shot& shot, const std::string& folder);

}  // namespace selvage::client
