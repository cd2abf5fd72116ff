#include "server/log.h"

#include <google/protobuf/struct.pb.h>
#include <google/protobuf/util/json_util.h>
#include <spdlog/pattern_formatter.h>
#include <spdlog/spdlog.h>

#include <memory>
#include <utility>
#include <vector>

#include "absl/strings/str_split.h"
#include "absl/time/time.h"

namespace selvage {
namespace {

// Between the sentence and its fields on their way through the log library: the separators
// that ASCII has for this, which no text of ours holds.
constexpr char kField = '\x1e', kValue = '\x1f';

std::string Clean(absl::string_view text) {
  std::string clean(text);
  for (char& c : clean) {
    if (c == kField || c == kValue || c == '\n') c = ' ';
  }
  return clean;
}

using Field = std::pair<absl::string_view, absl::string_view>;
// The sentence, then the fields.
std::vector<Field> Split(absl::string_view line) {
  std::vector<Field> all;
  for (const absl::string_view part : absl::StrSplit(line, kField)) {
    const Field field = absl::StrSplit(part, absl::MaxSplits(kValue, 1));
    all.push_back(field);
  }
  return all;
}

// Stands for %* in a pattern.
class TextFlag : public spdlog::custom_flag_formatter {
 public:
  void format(const spdlog::details::log_msg& message, const std::tm&, spdlog::memory_buf_t& out) override {
    const auto fields = Split({message.payload.data(), message.payload.size()});
    std::string text(fields.front().first);
    for (size_t i = 1; i < fields.size(); ++i) {
      absl::StrAppend(&text, i == 1 ? " (" : ", ", fields[i].first, " ", fields[i].second);
    }
    if (fields.size() > 1) text += ")";
    out.append(text.data(), text.data() + text.size());
  }
  std::unique_ptr<custom_flag_formatter> clone() const override { return std::make_unique<TextFlag>(); }
};

class JsonFormatter : public spdlog::formatter {
 public:
  void format(const spdlog::details::log_msg& message, spdlog::memory_buf_t& out) override {
    google::protobuf::Struct line;
    auto& to = *line.mutable_fields();
    const auto level = spdlog::level::to_string_view(message.level);
    to["time"].set_string_value(
        absl::FormatTime("%Y-%m-%dT%H:%M:%E3SZ", absl::FromChrono(message.time), absl::UTCTimeZone()));
    to["level"].set_string_value(std::string(level.data(), level.size()));
    const auto fields = Split({message.payload.data(), message.payload.size()});
    to["message"].set_string_value(std::string(fields.front().first));
    for (size_t i = 1; i < fields.size(); ++i)
      to[std::string(fields[i].first)].set_string_value(std::string(fields[i].second));
    std::string text;
    // Text that is no UTF-8 cannot be said in JSON.
    if (!google::protobuf::util::MessageToJsonString(line, &text).ok())
      text = R"({"message": "a line that is no text"})";
    text += '\n';
    out.append(text.data(), text.data() + text.size());
  }
  std::unique_ptr<formatter> clone() const override { return std::make_unique<JsonFormatter>(); }
};

}  // namespace

void SetLogFormat(LogFormat format) {
  if (format == LogFormat::kJson) return spdlog::set_formatter(std::make_unique<JsonFormatter>());
  auto text = std::make_unique<spdlog::pattern_formatter>();
  text->add_flag<TextFlag>('*').set_pattern("[%Y-%m-%d %H:%M:%S.%e] [%^%l%$] %*");
  spdlog::set_formatter(std::move(text));
}

LogEvent& LogEvent::With(absl::string_view name, const absl::AlphaNum& value) {
  if (!value.Piece().empty())
    absl::StrAppend(&text_, std::string(1, kField), name, std::string(1, kValue), Clean(value.Piece()));
  return *this;
}

void LogEvent::Write() const { spdlog::log(level_, "{}", text_); }

}  // namespace selvage
