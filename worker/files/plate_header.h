// First look at the headers of picture files, byte by byte.
#pragma once

#include <string_view>

#include "absl/status/status.h"
#include "worker/files/file_type.h"

namespace selvage::worker {

// That sizes are within bounds and the file is not cut short, as far as its
// structure tells: decoders paint missing rows of some types grey without a word.
// (A TIFF's sizes are left to the decoder, which allocates nothing on opening.)
// Errors: INVALID_ARGUMENT, without the path.
absl::Status CheckHeader(FileType type, std::string_view bytes);

}  // namespace selvage::worker
