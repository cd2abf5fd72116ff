// A file that somebody goes on editing: has it been saved with other content?
#pragma once

#include <functional>
#include <string>

#include "absl/status/status.h"

namespace selvage::client {

class SavedFile {
 public:
  explicit SavedFile(std::string path) : path_(std::move(path)) { Remember(); }

  // What it holds now is what later content is held against.
  void Remember();
  // Whether it holds something else than was remembered. A file that cannot be read,
  // as while an editor replaces it, has not changed.
  bool Changed() const;
  // Returns when it has changed and has been left alone for a moment, at the latest two
  // seconds after it changed: whoever writes it ten times a second does not stop us.
  void AwaitChange() const;

 private:
  std::string path_, content_;
};

// Runs `once` now and each time that the file has been saved with other content, for
// ever; what went wrong is printed. `once` is given what tells whether the file has
// changed meanwhile, and returns CANCELLED when it has ended early for it.
// Returns what is wrong with the command line (UsageError), which no save can mend.
absl::Status AtEachSave(const std::string& path,
                        const std::function<absl::Status(std::function<bool()> changed)>& once);

}  // namespace selvage::client
