// A stack as the page sees it: what stands in the text, where, and what is made from what.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "client/loom/json_writer.h"
#include "client/loom/text_tree.h"
#include "client/loom/text_units.h"
#include "proto/catalogue.h"
#include "proto/stack.pb.h"

namespace selvage::client {

// "matte", "straight", "premultiplied", "opaque"; "" for KIND_UNSPECIFIED.
const char* KindWord(Kind kind);
// Whether a text of this field names a plate, mask or pass.
bool NamesAnInput(const google::protobuf::FieldDescriptor* field);

// What is made from what.
struct Weave {
  // Of passes, masks and deliverables ("deliver comp"), each name once, in the order of the text.
  std::map<std::string, std::vector<std::string>> inputs, dependents;
  // Of plates, masks and passes, as far as they are known.
  std::map<std::string, Kind> kinds;
  // Passes, each after those that it is made from. What hangs in a circle comes last.
  std::vector<std::string> order;
};
Weave WeaveOf(const Stack& stack);

// The members "name" to "deliverables" of README.md, "GET /api/stack". `stack` is what
// `tree` says. `with_places`: the text that is shown is the tree's.
void WriteShape(const TextTree& tree, const Stack& stack, bool with_places, JsonWriter* out);

}  // namespace selvage::client
