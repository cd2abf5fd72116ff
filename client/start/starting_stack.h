// The stack that `selvage new` writes: a key as it stands, with comments.
#pragma once

#include <string>

#include "client/start/plate_files.h"
#include "proto/ops/internal.pb.h"
#include "proto/values.pb.h"

namespace selvage::client {

struct StartingStack {
  // Of the stack, its deliverables and their files.
  std::string name;
  // The file as the artist calls it, for the commands in its comments.
  std::string file;
  PlateFiles plate;
  // As written into the stack, relative to it where it can be.
  std::string plate_files;
  // "" = a plain grey.
  std::string background_files;
  // As in Plate.
  int background_offset = 0;
  PlateFindings findings;
};

// Text format, in the order in which an artist would work.
std::string TextOf(const StartingStack& s);

}  // namespace selvage::client
