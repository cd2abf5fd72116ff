#include "client/loom/open_browser.h"

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <thread>

#include "absl/strings/str_cat.h"

extern char** environ;

namespace selvage::client {

AddressFile::AddressFile(const std::string& address, int port) {
  const char* folder = std::getenv("XDG_RUNTIME_DIR");
  if (folder == nullptr || *folder == 0) return;
  const std::string path = absl::StrCat(folder, "/selvage-loom-", port, ".html");
  ::unlink(path.c_str());
  const int fd = ::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
  if (fd < 0) return;
  const std::string page = absl::StrCat("<!doctype html><meta http-equiv=\"refresh\" content=\"0; url=", address,
                                        "\"><title>The loom</title><a href=\"", address, "\">The loom</a>\n");
  const bool whole = ::write(fd, page.data(), page.size()) == static_cast<ssize_t>(page.size());
  ::close(fd);
  path_ = path;
  if (whole) url_ = absl::StrCat("file://", path);
}

AddressFile::~AddressFile() {
  if (!path_.empty()) ::unlink(path_.c_str());
}

void OpenBrowser(const std::string& url) {
  std::string program = "xdg-open", argument = url;
  char* const arguments[] = {program.data(), argument.data(), nullptr};
  pid_t pid;
  if (::posix_spawnp(&pid, "xdg-open", nullptr, nullptr, arguments, environ) == 0) {
    std::thread([pid] { ::waitpid(pid, nullptr, 0); }).detach();
  }
}

}  // namespace selvage::client
