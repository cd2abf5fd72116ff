// What the daemon says of itself: sentences for people, each with the fields that it is about
// for those who search logs.
#pragma once

#include <spdlog/common.h>

#include <string>

#include "absl/strings/str_cat.h"
#include "absl/strings/string_view.h"

namespace selvage {

enum class LogFormat {
  // [time] [level] sentence (job ab12, worker node7:311)
  kText,
  // {"time": "...", "level": "...", "message": "sentence", "job": "ab12", ...}, a line each
  kJson,
};
// From now on, for all that is logged. Before other threads are there.
void SetLogFormat(LogFormat format);

// One line of the log:
//   LogEvent(spdlog::level::warn, "a task will be tried again").With("job", id).With("attempt", 2).Write();
class LogEvent {
 public:
  LogEvent(spdlog::level::level_enum level, absl::string_view sentence) : level_(level), text_(sentence) {}

  // `name`: one word. Empty values are left out.
  LogEvent& With(absl::string_view name, const absl::AlphaNum& value);
  void Write() const;

 private:
  spdlog::level::level_enum level_;
  std::string text_;
};

}  // namespace selvage
