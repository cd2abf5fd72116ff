#include "server/startup.h"

#include <stdlib.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/un.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <string>

#include "absl/strings/str_cat.h"
#include "gtest/gtest.h"

namespace selvage {
namespace {

// sd_notify(3): datagrams to the socket that the environment names.
TEST(Startup, SaysToSystemdThatItServesAndThatItEnds) {
  const std::string path = ::testing::TempDir() + "startup_test.socket";
  ::unlink(path.c_str());
  const int socket = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  path.copy(address.sun_path, sizeof address.sun_path - 1);
  ASSERT_EQ(::bind(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
  const auto said = [&] {
    char text[256] = "";
    const ssize_t n = ::recv(socket, text, sizeof text, MSG_DONTWAIT);
    return std::string(text, n > 0 ? static_cast<size_t>(n) : 0);
  };

  TellReady();
  EXPECT_EQ(said(), "") << "nobody asked";
  ::setenv("NOTIFY_SOCKET", path.c_str(), 1);
  TellReady();
  EXPECT_EQ(said(), "READY=1");
  TellStopping();
  EXPECT_EQ(said(), "STOPPING=1");
  ::unsetenv("NOTIFY_SOCKET");
  ::close(socket);
  ::unlink(path.c_str());
}

// Binds a socket, as a daemon does, and leaves it behind as one that is killed.
int Bound(const std::string& path) {
  const int socket = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  path.copy(address.sun_path, sizeof address.sun_path - 1);
  EXPECT_EQ(::bind(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0) << path;
  EXPECT_EQ(::listen(socket, 1), 0);
  return socket;
}

TEST(Startup, SocketFoldersOfKilledDaemonsAreRemovedAndNothingElse) {
  namespace fs = std::filesystem;
  std::string pattern = ::testing::TempDir() + "runtime-XXXXXX";
  const fs::path runtime = ::mkdtemp(pattern.data());
  const auto old = [&](const std::string& name) {
    timeval long_ago[2] = {{1'000'000'000, 0}, {1'000'000'000, 0}};
    EXPECT_EQ(::utimes((runtime / name).c_str(), long_ago), 0);
  };
  const auto make = [&](const std::string& name) {
    fs::create_directory(runtime / name);
    return (runtime / name / "worker").string();
  };
  ::close(Bound(make("selvaged-killed")));
  make("selvaged-aEmpty");
  const int lives = Bound(make("selvaged-aLives"));
  ::close(Bound(make("selvaged-starts")));
  std::ofstream(make("selvaged-myFile")) << "notes";
  make("selvaged-notes-of-mine");
  for (const char* name : {"killed", "aEmpty", "aLives", "myFile", "notes-of-mine"})
    old(absl::StrCat("selvaged-", name));
  ::setenv("XDG_RUNTIME_DIR", runtime.c_str(), 1);
  const fs::path made = MakeSocketFolder();
  ::unsetenv("XDG_RUNTIME_DIR");
  EXPECT_EQ(made.parent_path(), runtime);
  EXPECT_EQ(fs::status(made).permissions(), fs::perms::owner_all);
  EXPECT_FALSE(fs::exists(runtime / "selvaged-killed"));
  EXPECT_FALSE(fs::exists(runtime / "selvaged-aEmpty"));
  EXPECT_TRUE(fs::exists(runtime / "selvaged-aLives/worker"));
  EXPECT_TRUE(fs::exists(runtime / "selvaged-starts/worker")) << "made a moment ago";
  EXPECT_TRUE(fs::exists(runtime / "selvaged-myFile/worker"));
  EXPECT_TRUE(fs::exists(runtime / "selvaged-notes-of-mine"));
  ::close(lives);
  fs::remove_all(runtime);
}

}  // namespace
}  // namespace selvage
