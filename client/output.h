// Tables and small words for people.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "google/protobuf/repeated_field.h"
#include "proto/job.pb.h"

namespace selvage::client {

// Columns aligned; numbers (cells that start with a digit, or "-") to the right.
std::string Table(const std::vector<std::string>& header, const std::vector<std::vector<std::string>>& rows);

std::string Bytes(uint64_t bytes);                                              // "3.2 GiB"
std::string Seconds(double seconds);                                            // "0.4 s", "2 min 05 s"
std::string FrameList(const google::protobuf::RepeatedField<int32_t>& frames);  // "1001-1010, 1020"
std::string StateName(JobState state);                                          // "running"
// "warning: degrained at 1001: ...", a line each.
std::string Warnings(const google::protobuf::RepeatedPtrField<JobWarning>& warnings);

}  // namespace selvage::client
