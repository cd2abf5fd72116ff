#include "worker/files/plate_limits.h"

#include "absl/strings/str_cat.h"

namespace selvage::worker {
namespace {

uint64_t Mib(uint64_t bytes) { return (bytes + (1 << 20) - 1) >> 20; }

std::string Allowed(const PlateLimits& limits) {
  return absl::StrCat("allowed are ", Mib(limits.decoded_bytes),
                      " MiB (option --max-decoded-mib of selvaged and selvage-worker)");
}

}  // namespace

absl::Status CheckDecodedSize(int64_t width, int64_t height, int channels, const PlateLimits& limits) {
  const uint64_t bytes = static_cast<uint64_t>(width) * static_cast<uint64_t>(height) * channels * sizeof(uint16_t);
  if (bytes <= limits.decoded_bytes) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("its picture of ", width, " x ", height, " pixels takes ", Mib(bytes),
                                                 " MiB of memory when it is decoded; ", Allowed(limits)));
}

absl::Status CheckTaskSize(uint64_t bytes, const PlateLimits& limits) {
  constexpr uint64_t kTogether = 4;
  if (bytes / kTogether <= limits.decoded_bytes) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("the plates of this step take ", Mib(bytes),
                                                 " MiB of memory when they are decoded; allowed are ", kTogether,
                                                 " times ", Mib(limits.decoded_bytes),
                                                 " MiB (option --max-decoded-mib of selvaged and "
                                                 "selvage-worker); a smaller window reads fewer frames"));
}

absl::Status CheckFileSize(uint64_t bytes, const PlateLimits& limits) {
  if (bytes <= limits.decoded_bytes) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("the file is ", Mib(bytes), " MiB large; ", Allowed(limits)));
}

}  // namespace selvage::worker
