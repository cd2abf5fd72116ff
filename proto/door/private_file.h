// Files that hold secrets: for their owner's eyes only, and whole or absent.
#pragma once

#include <optional>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

namespace selvage {

// nullopt if there is none. Errors: FAILED_PRECONDITION others may read it (the message
// says how to mend that), or it cannot be read; INVALID_ARGUMENT over 1 MiB.
absl::StatusOr<std::optional<std::string>> ReadPrivateFile(const std::string& path);

// The same for files that a house keeps its own way: group members may read it, and it must
// be there.
absl::StatusOr<std::string> ReadSharedSecret(const std::string& path);
// Everybody may read it: a certificate.
absl::StatusOr<std::string> ReadPublicFile(const std::string& path);

// A file that holds one token and nothing else, or standard input for "-".
absl::StatusOr<std::string> ReadTokenFile(const std::string& path);
// Without blanks around it. Errors: INVALID_ARGUMENT it cannot be a token.
absl::StatusOr<std::string> CheckToken(const std::string& text);

// With mode 0600: temporary name, fsync, rename. Its folder must be there. Written by root, it
// belongs to whoever owns the folder: a daemon reads what its administrator writes.
absl::Status WritePrivateFile(const std::string& path, const std::string& bytes);

// With mode 0700, and those above it with the usual one, unless it is there.
absl::Status MakePrivateFolder(const std::string& path);

// Until it goes, nobody else has it; for whoever reads a file, changes and writes it.
class FileLock {
 public:
  // Waits for the other one. Errors: FAILED_PRECONDITION the file cannot be made.
  static absl::StatusOr<FileLock> Take(const std::string& path);
  ~FileLock();
  FileLock(FileLock&& other) noexcept;
  FileLock& operator=(FileLock&&) = delete;

 private:
  explicit FileLock(int fd) : fd_(fd) {}
  int fd_;
};

}  // namespace selvage
