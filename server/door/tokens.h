// The tokens as a running daemon has them.
#pragma once

#include <sys/stat.h>

#include <memory>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "proto/mutex.h"
#include "server/door/caller.h"
#include "server/door/token_file.h"

namespace selvage {

class Tokens {
 public:
  // Errors: as ReadTokens.
  static absl::StatusOr<std::unique_ptr<Tokens>> Open(const std::string& state);

  // From any thread. Errors: UNAUTHENTICATED not known, ran out, or revoked.
  absl::StatusOr<Caller> Find(const std::string& token, int64_t now_unix_s) const;
  // Is a caller that was let in still welcome?
  bool StillGood(const Caller& caller, int64_t now_unix_s) const;
  size_t CountGood(int64_t now_unix_s) const;

  // Reads the file again if it was changed. When that fails, the tokens stay as they
  // were, and the error is returned once.
  absl::Status Refresh();

 private:
  struct Known {
    Digest sha256;
    Token token;
  };
  explicit Tokens(std::string state) : state_(std::move(state)) {}
  absl::Status Load();

  const std::string state_;
  timespec changed_{};
  ino_t inode_ = 0;
  mutable Mutex mutex_;
  std::vector<Known> known_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace selvage
