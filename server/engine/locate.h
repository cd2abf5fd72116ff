// Where the files of jobs are.
#pragma once

#include <cstdint>
#include <deque>
#include <map>
#include <string>
#include <utility>

#include "server/engine/jobs.h"

namespace selvage {

// On the strand.
class Locator {
 public:
  Locator(const RequestTools& with, const Jobs* jobs) : with_(with), jobs_(jobs) {}

  // Errors as in job.proto.
  void Locate(const FetchRequest& request, Then<BlobRef> then);

 private:
  // Deliverable and frame to key, of a finished job.
  struct Map {
    std::string job_id;
    uint64_t epoch = 0;
    std::map<std::pair<std::string, int32_t>, ResultKey> keys;
  };
  void LocateLive(const FetchRequest& request, const Request& live, Then<BlobRef> then);
  void LocateIn(const Map& map, const FetchRequest& request, const Jobs::Record& job, Then<BlobRef> then);
  static absl::StatusOr<Map> Read(const FetchRequest& request, ResultIndex& index);
  // Looks the record up. `was_there`: the job is done.
  void Find(const FetchRequest& request, const ResultKey& key, bool was_there, Then<BlobRef> then);

  const RequestTools with_;
  const Jobs* const jobs_;
  // Of the jobs asked for last.
  std::deque<Map> maps_;
};

}  // namespace selvage
