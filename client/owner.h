// Whose jobs these are.
#pragma once

#include <string>

namespace selvage::client {

std::string UserName();
std::string HostName();
// USER@HOST, as jobs are submitted with.
std::string Owner();

}  // namespace selvage::client
