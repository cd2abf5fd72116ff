// What every command of `selvage` is told.
#pragma once

#include <string>

namespace selvage::client {

struct Globals {
  // host:port of the daemon; --server, else SELVAGE_SERVER, else the one of `selvage connect`,
  // else loopback.
  std::string server;
  // Machine-readable output instead of tables.
  bool json = false;
};

}  // namespace selvage::client
