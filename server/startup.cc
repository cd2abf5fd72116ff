#include "server/startup.h"

#include <spdlog/spdlog.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <thread>

namespace selvage {

std::string DefaultStateFolder() {
  if (const char* state = std::getenv("XDG_STATE_HOME"); state && *state) return std::string(state) + "/selvage";
  const char* home = std::getenv("HOME");
  return std::string(home ? home : "/var/tmp") + "/.local/state/selvage";
}

std::string MakeSocketFolder() {
  std::error_code error;
  const char* runtime = std::getenv("XDG_RUNTIME_DIR");
  std::string folder = runtime != nullptr && std::filesystem::is_directory(runtime, error)
                           ? runtime
                           : std::filesystem::temp_directory_path(error).string();
  folder += "/selvaged-XXXXXX";
  return ::mkdtemp(folder.data()) != nullptr ? folder : "";
}

absl::Status WritePortFile(const std::string& path, int grpc_port, int tls_port, int http_port) {
  {
    std::ofstream out(path + ".tmp");
    out << "{\"grpc\": " << grpc_port << ", \"tls\": " << tls_port << ", \"http\": " << http_port
        << ", \"pid\": " << ::getpid() << "}\n";
    if (!out.flush()) return absl::UnavailableError("cannot write " + path);
  }
  std::error_code error;
  std::filesystem::rename(path + ".tmp", path, error);
  return error ? absl::UnavailableError("cannot write " + path + ": " + error.message()) : absl::OkStatus();
}

void TellReady() { (void)::sd_notify(0, "READY=1"); }
void TellStopping() { (void)::sd_notify(0, "STOPPING=1"); }

void LeaveAfter(double seconds) {
  std::thread([seconds] {
    std::this_thread::sleep_for(std::chrono::duration<double>(seconds));
    spdlog::error("something did not end in time; leaving without it");
    ::_exit(1);
  }).detach();
}

}  // namespace selvage
