#include "client/random_id.h"

#include <random>

#include "absl/strings/str_format.h"

namespace selvage::client {

std::string RandomId() {
  std::random_device device;
  std::string id;
  for (int i = 0; i < 4; ++i) id += absl::StrFormat("%08x", device());
  return id;
}

}  // namespace selvage::client
