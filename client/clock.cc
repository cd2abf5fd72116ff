#include "client/clock.h"

#include <chrono>
#include <cstdio>
#include <ctime>

#include "absl/strings/str_cat.h"
#include "client/exit_code.h"

namespace selvage::client {
namespace {

std::tm LocalTime(int64_t unix_ms) {
  const time_t seconds = unix_ms / 1000;
  std::tm t{};
  localtime_r(&seconds, &t);
  return t;
}

}  // namespace

int64_t NowUnixMs() {
  const auto now = std::chrono::system_clock::now().time_since_epoch();
  return std::chrono::duration_cast<std::chrono::milliseconds>(now).count();
}

absl::StatusOr<int64_t> ParseTime(const std::string& text, int64_t now_unix_ms) {
  std::tm t = LocalTime(now_unix_ms);
  t.tm_isdst = -1;
  int count = 0, end = 0;
  char unit = 0;
  const int size = static_cast<int>(text.size());
  if (std::sscanf(text.c_str(), "%d%c%n", &count, &unit, &end) == 2 && end == size && count >= 0 &&
      (unit == 'm' || unit == 'h' || unit == 'd')) {
    return now_unix_ms - int64_t{count} * 60'000 * (unit == 'm' ? 1 : unit == 'h' ? 60 : 24 * 60);
  }
  const bool of_day = std::sscanf(text.c_str(), "%2d:%2d%n", &t.tm_hour, &t.tm_min, &end) == 2 && end == size;
  const bool dated = !of_day &&
                     std::sscanf(text.c_str(), "%4d-%2d-%2d %2d:%2d%n", &t.tm_year, &t.tm_mon, &t.tm_mday, &t.tm_hour,
                                 &t.tm_min, &end) == 5 &&
                     end == size;
  t.tm_sec = 0;
  if (dated) t.tm_year -= 1900, t.tm_mon -= 1;
  const bool valid = t.tm_mon >= 0 && t.tm_mon < 12 && t.tm_mday >= 1 && t.tm_mday <= 31 && t.tm_hour >= 0 &&
                     t.tm_hour < 24 && t.tm_min >= 0 && t.tm_min < 60;
  if ((!of_day && !dated) || !valid) {
    return UsageError(absl::StrCat("\"", text, "\" is not a time: write 14:02, \"2026-11-25 14:02\", or how long ago, ",
                                   "as in 90m, 2h or 3d"));
  }
  time_t then = std::mktime(&t);
  // The shift that began yesterday evening.
  if (of_day && then > now_unix_ms / 1000) {
    --t.tm_mday;
    t.tm_isdst = -1;
    then = std::mktime(&t);
  }
  return int64_t{then} * 1000;
}

std::string TimeOfDay(int64_t unix_ms, int64_t now_unix_ms) {
  if (unix_ms == 0) return "";
  const std::tm t = LocalTime(unix_ms), now = LocalTime(now_unix_ms);
  const bool today = t.tm_year == now.tm_year && t.tm_yday == now.tm_yday;
  char text[32];
  std::strftime(text, sizeof text, today ? "%H:%M" : "%Y-%m-%d %H:%M", &t);
  return text;
}

}  // namespace selvage::client
