// Plates: image files to scene-linear pictures.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "proto/farm.pb.h"
#include "worker/files/decoded_plate.h"
#include "worker/files/plate_limits.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// Decodes a plate from the very bytes whose SHA-256 is `read.digest`: the part and the
// layer that `read` names, and no other channels.
//
// The picture covers the union of `format` and the part's data window, both
// counted from the top left of the file's display window; outside the data
// window it is zero. Kind by `read.alpha`: NONE gives OPAQUE (A = 1 everywhere),
// ASSOCIATED gives PREMULTIPLIED, UNASSOCIATED gives STRAIGHT, MATTE_ONLY gives
// MATTE. Grey files give R = G = B. Samples are as stored results have them
// (kernels/pixels/half.h, FloatToStored): NaN or infinity of a file goes nowhere.
//
// Only colour is decoded: alpha and mattes are shares, not light, whatever the
// encoding. Associated colour is divided by alpha before its code values are
// decoded and multiplied after (where A is 0 it is decoded as it is).
//
// Errors: ABORTED "plate changed" when the bytes are not those of the digest;
// INVALID_ARGUMENT for what cannot be read as a picture or is beyond the limits, with
// the path.
absl::StatusOr<DecodedPlate> ReadPlate(const PlateRead& read, const Rect& format, const PlateLimits& limits = {});

// What the planner must know of a plate file, from one reading of its bytes.
// Errors: as ReadPlateFile, in one sentence with the path.
absl::StatusOr<PlateFacts> InspectPlateFile(const std::string& path, const PlateLimits& limits = {});

}  // namespace selvage::worker
