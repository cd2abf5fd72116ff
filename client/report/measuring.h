// Asks the daemon for the figures of many frames at once.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "client/ask_many.h"
#include "client/connection.h"
#include "proto/ops/internal.pb.h"
#include "proto/report.pb.h"

namespace selvage::client {

// Asks for all frames of all passes, several at once. The first one (in order)
// that fails ends it.
class Measuring {
 public:
  // What makes faults of a stack readable.
  using Refuse = std::function<absl::Status(const google::protobuf::RepeatedPtrField<StackError>&)>;

  Measuring(Connection* connection, const Stack& stack, const MeasureMatte& measure, Refuse refuse, ShotReport* report);

  // Says on standard error how far it is.
  absl::Status Run();
  // Tells `progress` now and then, and may be ended from another thread.
  absl::Status Run(const Progress& progress, Stopper* stopper);

 private:
  struct Place {
    const std::string* pass;
    PassReport::Frame* frame;
  };

  absl::Status Ask(const Place& place, Stopper* stopper) const;

  Connection* connection_;
  LookRequest request_;
  Refuse refuse_;
  std::vector<Place> places_;
};

}  // namespace selvage::client
