// Looks, as several commands ask for them.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "client/connection.h"
#include "client/frames.h"
#include "proto/stack.pb.h"

namespace CLI {
class App;
}

namespace selvage::client {

// How a pass is shown.
struct LookOptions {
  std::string as = "checker", background, outline, crop;
  double stops = 0;
  // Of the wipe, where two things are shown.
  double wipe = 0.5;
  unsigned longest_side = 0, zoom = 1;

  void Declare(CLI::App* app);
  // Errors: a usage error.
  absl::StatusOr<LookPicture> Make() const;
};

// "X,Y,W,H". Errors: a usage error.
absl::StatusOr<LookBox> ParseBox(const std::string& text);

// What makes faults of a stack readable.
using RefuseFaults = std::function<absl::Status(const google::protobuf::RepeatedPtrField<StackError>&)>;

// The PNG of one frame of a pass, plate or mask.
absl::StatusOr<ReceivedFile> ReceiveLook(const Connection& connection, JobService::Stub& jobs,
                                         const LookRequest& request, const RefuseFaults& refuse);

// Calls `make` for all of the frames, several at once. The first one (in order) that fails
// ends it.
absl::Status ForFrames(const Frames& frames, const std::function<absl::Status(int frame)>& make);

}  // namespace selvage::client
