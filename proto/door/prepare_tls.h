// What must be so before the first channel or server of a process.
#pragma once

#include <cstdint>
#include <string>

namespace selvage {

// TLS 1.3 and nothing older; connections come back soon after a daemon does; and gRPC's complaints of handshakes that
// failed are counted instead of printed: clients explain them in words of ours, and whoever knocks at a daemon must not
// fill its log. Call it early; more than once is no harm.
void PrepareTls();

struct FailedHandshakes {
  uint64_t count = 0;
  std::string last;
};
// Since it was asked last.
FailedHandshakes TakeFailedHandshakes();

}  // namespace selvage
