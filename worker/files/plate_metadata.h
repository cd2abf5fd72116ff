// What a plate file says beside its pixels, and which types of file can say it.
#pragma once

#include "proto/values.pb.h"
#include "worker/files/file_type.h"

// After protobuf, whose byte swaps it would break.
#include <OpenImageIO/imageio.h>

namespace selvage::worker {

// What cannot be meant (an aspect of zero, chromaticities that are no numbers) is left out.
FileMetadata MetadataOf(FileType type, const OIIO::ImageSpec& spec);

}  // namespace selvage::worker
