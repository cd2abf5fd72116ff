// Masks that were drawn elsewhere, put into a stack's text.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "proto/stack.pb.h"

namespace selvage::client {

// The text with these masks in it. A mask that is there already is drawn anew if `replace`:
// its shapes keep all but their paths (feather, opacity ...), and so does the mask.
// Errors: ALREADY_EXISTS; INVALID_ARGUMENT the text cannot be edited.
absl::StatusOr<std::string> WithMasks(const std::string& text, const Stack& stack, const std::vector<Mask>& masks,
                                      bool replace);

}  // namespace selvage::client
