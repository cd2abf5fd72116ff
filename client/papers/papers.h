// The papers of a delivery: reading and writing, adding to them, checking files against them.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <string_view>
#include <utility>

#include "absl/status/statusor.h"
#include "proto/digest.h"
#include "proto/job.pb.h"
#include "proto/papers.pb.h"
#include "proto/stack.pb.h"

namespace selvage::client {

// Larger ones are not read.
inline constexpr size_t kMostPapersBytes = 100u << 20;

// `name`: the file's, for messages. Everything in them is as the proto says; paths of
// delivered files stay below the folder of the papers.
// Errors: INVALID_ARGUMENT "NAME:LINE:COLUMN: what is wrong".
absl::StatusOr<DeliveryPapers> ParsePapers(const std::string& name, std::string_view text);
// Errors: also NOT_FOUND there is no such file; INVALID_ARGUMENT it is too large or cannot be
// read.
absl::StatusOr<DeliveryPapers> ReadPapers(const std::string& path);

// Beside the files of a deliverable, and called like them: `out/comp_v003.%04d.exr` of
// deliverable "comp" has `out/comp_v003.comp.papers.json`, `out/comp.%04d.exr` has
// `out/comp.papers.json`. `to` as in FilesOf.
absl::StatusOr<std::string> PapersPathOf(const Stack& stack, uint32_t version, const Deliverable& deliverable,
                                         const std::string& to);

// The papers of one deliverable while its files are fetched.
class PapersWriter {
 public:
  // Takes up papers of the same stack and deliverable that are there already. `overwrite`:
  // whatever else is there is replaced.
  // Errors: PERMISSION_DENIED something is there that Selvage did not write, or a plate would
  // be replaced.
  static absl::StatusOr<PapersWriter> Open(const std::string& path, const Stack& stack, uint32_t version,
                                           const std::string& deliverable, bool overwrite);

  // A file that is there now, in place of what the papers said of its path. `path`: absolute.
  void Add(const std::string& path, int frame, uint64_t bytes, const Digest& digest, const FileOrigin& origin);
  // If anything was added. Errors: PERMISSION_DENIED; RESOURCE_EXHAUSTED they would be too large.
  absl::Status Write();

  const std::string& path() const { return path_; }
  // Sources that the daemon did not name, of all files together.
  uint64_t unnamed_sources() const { return unnamed_sources_; }
  // Files of which it does not know what they were made from any more.
  int without_sources() const { return without_sources_; }

 private:
  PapersWriter(std::string path, DeliveryPapers papers) : path_(std::move(path)), papers_(std::move(papers)) {}

  std::string path_;
  DeliveryPapers papers_;
  // Of what was added: the newest for each path.
  std::map<std::string, DeliveryPapers::File> added_;
  std::map<std::string, uint32_t> source_number_;
  uint64_t unnamed_sources_ = 0;
  int without_sources_ = 0;
};

}  // namespace selvage::client
