// What kind of file a name or the bytes of a file say.
#pragma once

#include <optional>
#include <string>

#include "proto/ops/internal.pb.h"
#include "proto/values.pb.h"

namespace selvage::plan {

// By the ending .exr .dpx .tif .tiff .png, in any case; nullopt for others.
std::optional<DeliverFile::FileType> FileTypeOf(const std::string& files);
Encoding DefaultEncoding(DeliverFile::FileType type);

}  // namespace selvage::plan
