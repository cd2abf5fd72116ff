#include "client/output.h"

#include <algorithm>
#include <cctype>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace selvage::client {

std::string Table(const std::vector<std::string>& header, const std::vector<std::vector<std::string>>& rows) {
  std::vector<size_t> width(header.size());
  std::vector<bool> right(header.size(), !rows.empty());
  for (size_t c = 0; c < header.size(); ++c) {
    width[c] = header[c].size();
    for (const auto& row : rows) {
      width[c] = std::max(width[c], row[c].size());
      const bool number = !row[c].empty() && (row[c] == "-" || std::isdigit(static_cast<unsigned char>(row[c][0])));
      if (!number) right[c] = false;
    }
  }
  std::string out;
  const auto line = [&](const std::vector<std::string>& cells) {
    std::string text;
    for (size_t c = 0; c < cells.size(); ++c) {
      const std::string pad(width[c] - cells[c].size(), ' ');
      absl::StrAppend(&text, c ? "  " : "", right[c] ? pad : "", cells[c], right[c] ? "" : pad);
    }
    text.erase(text.find_last_not_of(' ') + 1);
    absl::StrAppend(&out, text, "\n");
  };
  line(header);
  for (const auto& row : rows) line(row);
  return out;
}

std::string Bytes(uint64_t bytes) {
  static constexpr const char* kUnits[] = {"B", "KiB", "MiB", "GiB", "TiB"};
  double value = static_cast<double>(bytes);
  int unit = 0;
  while (value >= 1024 && unit < 4) value /= 1024, ++unit;
  return unit == 0 ? absl::StrCat(bytes, " B") : absl::StrFormat("%.1f %s", value, kUnits[unit]);
}

std::string Seconds(double seconds) {
  if (seconds < 60) return absl::StrFormat("%.1f s", seconds);
  const long whole = static_cast<long>(seconds + 0.5);
  if (whole < 3600) return absl::StrFormat("%d min %02d s", whole / 60, whole % 60);
  return absl::StrFormat("%d h %02d min", whole / 3600, whole / 60 % 60);
}

std::string FrameList(const google::protobuf::RepeatedField<int32_t>& frames) {
  std::vector<int32_t> sorted(frames.begin(), frames.end());
  std::sort(sorted.begin(), sorted.end());
  sorted.erase(std::unique(sorted.begin(), sorted.end()), sorted.end());
  std::string out;
  for (size_t i = 0; i < sorted.size();) {
    size_t j = i;
    while (j + 1 < sorted.size() && sorted[j + 1] == sorted[j] + 1) ++j;
    absl::StrAppend(&out, out.empty() ? "" : ", ", sorted[i]);
    if (j > i) absl::StrAppend(&out, "-", sorted[j]);
    i = j + 1;
  }
  return out;
}

std::string Warnings(const google::protobuf::RepeatedPtrField<JobWarning>& warnings) {
  std::string out;
  for (const JobWarning& r : warnings)
    absl::StrAppend(&out, "warning: ", r.pass(), " at ", FrameList(r.frame()), ": ", r.text(), "\n");
  return out;
}

std::string StateName(JobState state) {
  switch (state) {
    case JOB_INSPECTING:
      return "reading plates";
    case JOB_RUNNING:
      return "running";
    case JOB_DONE:
      return "done";
    case JOB_FAILED:
      return "failed";
    case JOB_CANCELLED:
      return "cancelled";
    default:
      return "unknown";
  }
}

}  // namespace selvage::client
