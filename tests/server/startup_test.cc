#include "server/startup.h"

#include <stdlib.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <string>

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

}  // namespace
}  // namespace selvage
