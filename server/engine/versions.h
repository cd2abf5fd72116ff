// Submissions of each stack, numbered: who, when, with which stack and which text.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <string_view>

#include "proto/job.pb.h"
#include "server/engine/commits.h"

namespace selvage {

// On the strand, but for Load.
class Versions {
 public:
  explicit Versions(Tools* tools) : tools_(tools) {}

  // Blocks.
  absl::Status Load();

  // Errors: INVALID_ARGUMENT  the note or the text is too long, or no text.
  static absl::Status Check(const SubmitRequest& request);
  // Gives the version its number and writes it down with the stack and, if there is any,
  // the text. Forgets the oldest ones that there is no more room for.
  uint32_t Add(StackVersion version, const Stack& stack, const std::string& text, IndexBatch* batch);
  // How its job ended.
  void End(const JobProgress& job, IndexBatch* batch);
  void Forget(const std::string& stack, IndexBatch* batch);

  // Errors: NOT_FOUND.
  absl::StatusOr<ListVersionsReply> List(const ListVersionsRequest& request) const;
  void Get(const GetVersionRequest& request, Then<GetVersionReply> then) const;

 private:
  struct Known {
    StackVersion version;
    // Of its stack and text.
    uint64_t bytes = 0;
  };
  using Numbered = std::map<uint32_t, Known>;

  void ForgetOldest(const std::string& stack, IndexBatch* batch);
  void Drop(Numbered* of, Numbered::iterator which, IndexBatch* batch);
  absl::Status NoVersions(const std::string& stack) const;

  Tools* const tools_;
  std::map<std::string, Numbered> stacks_;
  uint64_t bytes_ = 0;
  size_t count_ = 0;
};

}  // namespace selvage
