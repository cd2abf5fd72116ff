// JSON as client/json.h writes it, back into a message.
#pragma once

#include <functional>
#include <string>
#include <string_view>

#include "absl/status/status.h"
#include "google/protobuf/message.h"

namespace selvage::client {

// Called when a message has been read, innermost first; what it refuses is told with the
// line that the message begins in.
using CheckMessage = std::function<absl::Status(const google::protobuf::Message& message, int line)>;

// Fields of texts, 32- and 64-bit whole numbers without a sign, 32-bit ones with a sign, and
// messages of these, repeated or not. Whatever is no such field, comes twice or is of another
// type is refused; a text may hold no control characters. `name`: the file's, for messages.
// Errors: INVALID_ARGUMENT "NAME:LINE:COLUMN: what is wrong".
absl::Status ReadJsonMessage(const std::string& name, std::string_view text, const CheckMessage& check,
                             google::protobuf::Message* message);

}  // namespace selvage::client
