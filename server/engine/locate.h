// Where the files of jobs are.
#pragma once

#include <cstdint>
#include <deque>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <utility>

#include "server/engine/blob.h"
#include "server/engine/jobs.h"
#include "server/engine/origin.h"

namespace selvage {

// A delivered file and from what it was made.
struct Located {
  BlobRef blob;
  std::optional<FileOrigin> origin;
};

// On the strand.
class Locator {
 public:
  Locator(const RequestTools& with, const Jobs* jobs) : with_(with), jobs_(jobs) {}

  // Errors as in job.proto.
  void Locate(const FetchRequest& request, Then<Located> then);

 private:
  // Deliverable and frame to key, of a finished job.
  struct Map {
    std::string job_id;
    std::shared_ptr<const Stack> stack;
    uint64_t epoch = 0;
    std::map<std::pair<std::string, int32_t>, ResultKey> keys;
  };
  OriginRequest OriginOfJob(const FetchRequest& request, const Jobs::Record& job, std::shared_ptr<const Stack> stack,
                            const ResultKey& key) const;
  void LocateLive(const FetchRequest& request, const Jobs::Record& job, Then<Located> then);
  void LocateIn(const Map& map, const FetchRequest& request, const Jobs::Record& job, Then<Located> then);
  static absl::StatusOr<Map> Read(const FetchRequest& request, ResultIndex& index);
  // Looks the record up. `was_there`: the job is done.
  void Find(const FetchRequest& request, OriginRequest of, bool was_there, Then<Located> then);

  const RequestTools with_;
  const Jobs* const jobs_;
  // Of the jobs asked for last.
  std::deque<Map> maps_;
};

}  // namespace selvage
