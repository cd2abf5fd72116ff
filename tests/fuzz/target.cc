#include "tests/fuzz/target.h"

#include <google/protobuf/stubs/logging.h>

namespace selvage::fuzz {
namespace {

// What protobuf says of each bad message helps nobody here.
[[maybe_unused]] const auto silenced = google::protobuf::SetLogHandler(nullptr);

}  // namespace

std::vector<Target>& Targets() {
  static auto* const targets = new std::vector<Target>();
  return *targets;
}

}  // namespace selvage::fuzz
