#include "server/startup.h"

#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>

namespace selvage {

std::string DefaultStateFolder() {
  if (const char* state = std::getenv("XDG_STATE_HOME"); state && *state) return std::string(state) + "/selvage";
  const char* home = std::getenv("HOME");
  return std::string(home ? home : "/var/tmp") + "/.local/state/selvage";
}

absl::Status WritePortFile(const std::string& path, int grpc_port, int http_port) {
  {
    std::ofstream out(path + ".tmp");
    out << "{\"grpc\": " << grpc_port << ", \"http\": " << http_port << ", \"pid\": " << ::getpid() << "}\n";
    if (!out.flush()) return absl::UnavailableError("cannot write " + path);
  }
  std::error_code error;
  std::filesystem::rename(path + ".tmp", path, error);
  return error ? absl::UnavailableError("cannot write " + path + ": " + error.message()) : absl::OkStatus();
}

}  // namespace selvage
