#include "server/startup.h"

#include <spdlog/spdlog.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <fstream>
#include <thread>

#include "absl/strings/str_cat.h"

namespace selvage {

std::string DefaultStateFolder() {
  if (const char* state = std::getenv("XDG_STATE_HOME"); state && *state) return std::string(state) + "/selvage";
  const char* home = std::getenv("HOME");
  return std::string(home ? home : "/var/tmp") + "/.local/state/selvage";
}

namespace {

constexpr char kSocketFolder[] = "selvaged-XXXXXX";
constexpr int64_t kJustStarting = 60;

// A socket at which nobody listens any more.
bool IsLeftSocket(const std::string& path) {
  struct stat now;
  sockaddr_un address{};
  if (::lstat(path.c_str(), &now) != 0 || !S_ISSOCK(now.st_mode) || path.size() >= sizeof address.sun_path)
    return false;
  address.sun_family = AF_UNIX;
  path.copy(address.sun_path, path.size());
  const int fd = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (fd < 0) return false;
  const bool refused =
      ::connect(fd, reinterpret_cast<sockaddr*>(&address), sizeof address) != 0 && errno == ECONNREFUSED;
  ::close(fd);
  return refused;
}

// Of daemons that were killed. One that is just starting has made its folder a moment ago.
void RemoveLeftSocketFolders(const std::string& where) {
  std::error_code error;
  for (const auto& entry : std::filesystem::directory_iterator(where, error)) {
    const std::string name = entry.path().filename().string(), folder = entry.path().string();
    struct stat now;
    if (name.size() != std::string(kSocketFolder).size() || name.rfind("selvaged-", 0) != 0) continue;
    if (::lstat(folder.c_str(), &now) != 0 || !S_ISDIR(now.st_mode) || now.st_uid != ::geteuid()) continue;
    if (::time(nullptr) - now.st_mtime < kJustStarting) continue;
    const std::string socket = absl::StrCat(folder, "/", kWorkerSocket);
    if (IsLeftSocket(socket)) (void)::unlink(socket.c_str());
    // Fails unless the folder is empty.
    (void)::rmdir(folder.c_str());
  }
}

}  // namespace

std::string MakeSocketFolder() {
  std::error_code error;
  const char* runtime = std::getenv("XDG_RUNTIME_DIR");
  std::string folder = runtime != nullptr && std::filesystem::is_directory(runtime, error)
                           ? runtime
                           : std::filesystem::temp_directory_path(error).string();
  RemoveLeftSocketFolders(folder);
  folder += absl::StrCat("/", kSocketFolder);
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
