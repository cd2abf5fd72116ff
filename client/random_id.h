// Ids that nobody else has.
#pragma once

#include <string>

namespace selvage::client {

// Makes a submission that is repeated after a lost answer the same submission.
std::string RandomId();

}  // namespace selvage::client
