// Sends the user's browser to the loom.
#pragma once

#include <string>

namespace selvage::client {

// A file that sends a browser on to the address: what a program is started with can be read by
// every user of the machine, a file only by its owner. It is there as long as this is.
class AddressFile {
 public:
  AddressFile(const std::string& address, int port);
  ~AddressFile();
  AddressFile(const AddressFile&) = delete;
  AddressFile& operator=(const AddressFile&) = delete;

  // Empty: there is no place for it.
  const std::string& url() const { return url_; }

 private:
  std::string path_, url_;
};

// Does not wait for it; where there is no browser, nothing happens.
void OpenBrowser(const std::string& url);

}  // namespace selvage::client
