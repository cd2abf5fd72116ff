// The stack that a loom is open on: its text as it stands on disk, what it says, edits,
// undo. Used from one thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "client/faults.h"
#include "client/language/stack_file.h"
#include "client/loom/json_reader.h"
#include "client/loom/json_writer.h"

namespace selvage::client {

class Document {
 public:
  enum State { kNone, kGood, kFaulty, kUnreadable };

  // No stack.
  Document() = default;
  // A file, read now, whatever its state.
  explicit Document(const std::string& path);
  // A submitted stack, which nobody can change.
  Document(const std::string& name, const Stack& stack);

  State state() const { return state_; }
  const std::string& digest() const { return digest_; }
  const std::string& path() const { return path_; }
  bool read_only() const { return read_only_; }
  // It was submitted once, and nothing of it is handed in from here again.
  bool of_job() const { return state_ != kNone && !on_disk_; }
  // The last text that could be read as a stack, the present one if the state is kGood;
  // nullptr if there was none.
  const StackFile* good() const { return good_ ? &*good_ : nullptr; }

  // To be called often. True: the document is another one than before.
  bool Poll();

  // `request` as README.md, "POST /api/edit". Errors: ABORTED the text is another one by
  // now; FAILED_PRECONDITION read-only; UNAVAILABLE it cannot be read; INVALID_ARGUMENT,
  // NOT_FOUND an edit does not fit; PERMISSION_DENIED it cannot be written.
  absl::Status Edit(const JsonMembers& request);
  // Errors: as of Edit; NOT_FOUND there is nothing to take back.
  absl::Status Undo(const std::string& digest);
  absl::Status Redo(const std::string& digest);

  // Of the present text, and whether the daemon has had its word on it.
  const std::vector<Fault>& faults() const { return faults_; }
  bool checked() const { return checked_; }
  // What the daemon says of the text with this digest.
  void SetDaemonFaults(const std::string& digest, const google::protobuf::RepeatedPtrField<StackError>& errors);
  std::vector<Fault> FaultsFrom(const google::protobuf::RepeatedPtrField<StackError>& errors) const;

  // README.md, "GET /api/stack" and "GET /api/text".
  const std::string& Json();
  std::string TextJson() const;
  void WriteFaults(const std::vector<Fault>& faults, JsonWriter* out) const;

 private:
  // One piece of text in place of another.
  struct Step {
    std::string label, group;
    size_t at = 0;
    std::string removed, inserted;
  };
  // Of the file as it was read or written last.
  struct Stamp {
    bool there = false;
    int64_t seconds = 0, nanoseconds = 0, size = 0;
    uint64_t inode = 0;
    bool operator==(const Stamp&) const = default;
  };
  using Clock = std::chrono::steady_clock;

  Stamp StampOfFile() const;
  absl::StatusOr<std::string> ReadFile() const;
  // True: another text or state than before.
  bool Load();
  // `read`: the text as a stack, where that is known already.
  void Take(const std::string& text, std::optional<StackFile> read = std::nullopt);
  // Whether the file still holds our text; else takes what it holds.
  absl::Status CheckUnchanged(const std::string& digest);
  absl::Status Write(const std::string& text, std::optional<StackFile> read = std::nullopt);
  static Step Difference(const std::string& before, const std::string& after);
  void Remember(Step step);
  absl::Status TakeBack(const std::string& digest, std::deque<Step>* from, std::deque<Step>* to, bool undo);
  void Changed() { json_.clear(); }

  std::string path_;
  State state_ = kNone;
  bool read_only_ = false, on_disk_ = false;
  // Without a byte order mark, which stays where it was.
  std::string text_, mark_;
  std::string digest_, message_;
  std::vector<Fault> faults_;
  std::optional<StackFile> good_;
  std::string good_digest_;
  // The daemon has judged the present text.
  bool checked_ = false;
  std::deque<Step> undo_, redo_;
  size_t remembered_ = 0;
  std::string json_;

  Stamp stamp_;
  std::optional<Clock::time_point> first_change_;
  Clock::time_point last_change_, next_load_;
};

}  // namespace selvage::client
