#include "client/papers/json_message.h"

#include <set>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;

// As in UTF-8.
void AppendCodePoint(uint32_t c, std::string* out) {
  const auto add = [&](uint32_t byte) { out->push_back(static_cast<char>(byte)); };
  if (c < 0x80) {
    add(c);
  } else if (c < 0x800) {
    add(0xC0 | c >> 6);
    add(0x80 | (c & 0x3F));
  } else if (c < 0x10000) {
    add(0xE0 | c >> 12);
    add(0x80 | (c >> 6 & 0x3F));
    add(0x80 | (c & 0x3F));
  } else {
    add(0xF0 | c >> 18);
    add(0x80 | (c >> 12 & 0x3F));
    add(0x80 | (c >> 6 & 0x3F));
    add(0x80 | (c & 0x3F));
  }
}

// RFC 8259. How deep it goes is bounded by the messages' own depth.
class JsonMessageReader {
 public:
  JsonMessageReader(const std::string& name, std::string_view text, const CheckMessage& check)
      : name_(name), text_(text), check_(check) {}

  absl::Status Read(Message* message) {
    RETURN_IF_ERROR(ReadMessage(message));
    SkipSpace();
    return at_ == text_.size() ? absl::OkStatus() : Wrong("something follows after the end");
  }

 private:
  absl::Status WrongAt(int line, size_t column, const std::string& what) const {
    return absl::InvalidArgumentError(absl::StrCat(name_, ":", line, ":", column, ": ", what));
  }
  absl::Status Wrong(const std::string& what) const { return WrongAt(line_, at_ - line_begin_ + 1, what); }
  absl::Status Expected(const std::string& what) const {
    if (at_ >= text_.size()) return Wrong(absl::StrCat("the file ends where ", what, " is expected"));
    return Wrong(absl::StrCat("expected ", what));
  }

  void SkipSpace() {
    for (; at_ < text_.size(); ++at_) {
      const char c = text_[at_];
      if (c != ' ' && c != '\t' && c != '\r' && c != '\n') return;
      if (c != '\n') continue;
      ++line_;
      line_begin_ = at_ + 1;
    }
  }
  bool Take(char c) {
    SkipSpace();
    if (at_ >= text_.size() || text_[at_] != c) return false;
    ++at_;
    return true;
  }

  absl::Status ReadMessage(Message* message) {
    SkipSpace();
    const int line = line_;
    const size_t column = at_ - line_begin_ + 1;
    if (!Take('{')) return Expected("{");
    std::set<const FieldDescriptor*> seen;
    if (!Take('}')) {
      do {
        RETURN_IF_ERROR(ReadMember(message, &seen));
      } while (Take(','));
      if (!Take('}')) return Expected(", or }");
    }
    const absl::Status good = check_(*message, line);
    return good.ok() ? good : WrongAt(line, column, std::string(good.message()));
  }

  absl::Status ReadMember(Message* message, std::set<const FieldDescriptor*>* seen) {
    SkipSpace();
    const size_t begin = at_;
    std::string key;
    RETURN_IF_ERROR(ReadText(&key));
    const auto* descriptor = message->GetDescriptor();
    const FieldDescriptor* field = descriptor->FindFieldByName(key);
    if (field == nullptr || !seen->insert(field).second) {
      at_ = begin;
      if (field != nullptr) return Wrong(absl::StrCat("\"", key, "\" comes twice"));
      std::vector<std::string> names;
      for (int i = 0; i < descriptor->field_count(); ++i) names.push_back(descriptor->field(i)->name());
      return Wrong(
          absl::StrCat("\"", key.substr(0, 60), "\" is not known here; known are ", absl::StrJoin(names, ", ")));
    }
    if (!Take(':')) return Expected(":");
    if (!field->is_repeated()) return ReadValue(message, field);
    if (!Take('[')) return Expected("[");
    if (Take(']')) return absl::OkStatus();
    do {
      RETURN_IF_ERROR(ReadValue(message, field));
    } while (Take(','));
    return Take(']') ? absl::OkStatus() : Expected(", or ]");
  }

  absl::Status ReadValue(Message* message, const FieldDescriptor* field) {
    const auto* r = message->GetReflection();
    const bool many = field->is_repeated();
    switch (field->cpp_type()) {
      case FieldDescriptor::CPPTYPE_MESSAGE:
        return ReadMessage(many ? r->AddMessage(message, field) : r->MutableMessage(message, field));
      case FieldDescriptor::CPPTYPE_STRING: {
        std::string value;
        RETURN_IF_ERROR(ReadText(&value));
        many ? r->AddString(message, field, value) : r->SetString(message, field, value);
        return absl::OkStatus();
      }
      case FieldDescriptor::CPPTYPE_INT32: {
        int32_t value = 0;
        RETURN_IF_ERROR(ReadWhole(&value));
        many ? r->AddInt32(message, field, value) : r->SetInt32(message, field, value);
        return absl::OkStatus();
      }
      case FieldDescriptor::CPPTYPE_UINT32: {
        uint32_t value = 0;
        RETURN_IF_ERROR(ReadWhole(&value));
        many ? r->AddUInt32(message, field, value) : r->SetUInt32(message, field, value);
        return absl::OkStatus();
      }
      case FieldDescriptor::CPPTYPE_UINT64: {
        uint64_t value = 0;
        RETURN_IF_ERROR(ReadWhole(&value));
        many ? r->AddUInt64(message, field, value) : r->SetUInt64(message, field, value);
        return absl::OkStatus();
      }
      default:
        return Wrong(absl::StrCat("\"", field->name(), "\" cannot be read"));
    }
  }

  template <class Number>
  absl::Status ReadWhole(Number* value) {
    SkipSpace();
    size_t end = at_;
    while (end < text_.size() && (absl::ascii_isdigit(static_cast<unsigned char>(text_[end])) || text_[end] == '-'))
      ++end;
    const std::string_view digits = text_.substr(at_, end - at_);
    const bool continues = end < text_.size() && (text_[end] == '.' || text_[end] == 'e' || text_[end] == 'E');
    if (digits.empty() || continues || !absl::SimpleAtoi(absl::string_view(digits.data(), digits.size()), value)) {
      return Expected(std::is_signed_v<Number> ? "a whole number" : "a whole number from 0 on");
    }
    at_ = end;
    return absl::OkStatus();
  }

  absl::Status ReadHex(uint32_t* unit) {
    *unit = 0;
    for (int i = 0; i < 4; ++i, ++at_) {
      if (at_ >= text_.size() || !absl::ascii_isxdigit(static_cast<unsigned char>(text_[at_]))) {
        return Expected("four hexadecimal digits");
      }
      const char c = absl::ascii_tolower(static_cast<unsigned char>(text_[at_]));
      *unit = *unit << 4 | static_cast<uint32_t>(c <= '9' ? c - '0' : c - 'a' + 10);
    }
    return absl::OkStatus();
  }

  absl::Status ReadEscape(std::string* out) {
    constexpr std::string_view kLetters = "\"\\/bfnrt", kMeant = "\"\\/\b\f\n\r\t";
    const char c = at_ < text_.size() ? text_[at_] : ' ';
    if (const size_t known = kLetters.find(c); known != std::string_view::npos) {
      ++at_;
      out->push_back(kMeant[known]);
      return absl::OkStatus();
    }
    if (c != 'u') return Expected("an escape that JSON has, such as \\n or \\u0041,");
    ++at_;
    uint32_t unit = 0;
    RETURN_IF_ERROR(ReadHex(&unit));
    if (unit >= 0xDC00 && unit < 0xE000) return Wrong("the second half of a character comes first");
    if (unit >= 0xD800 && unit < 0xDC00) {
      uint32_t second = 0;
      if (text_.substr(at_, 2) != "\\u") return Expected("the second half of a character, \\uDC00 to \\uDFFF,");
      at_ += 2;
      RETURN_IF_ERROR(ReadHex(&second));
      if (second < 0xDC00 || second >= 0xE000) return Wrong("expected \\uDC00 to \\uDFFF before this");
      unit = 0x10000 + ((unit - 0xD800) << 10) + (second - 0xDC00);
    }
    AppendCodePoint(unit, out);
    return absl::OkStatus();
  }

  absl::Status ReadText(std::string* out) {
    if (!Take('"')) return Expected("a text in quotes");
    while (at_ < text_.size() && text_[at_] != '"') {
      const char c = text_[at_];
      if (c == '\\') {
        ++at_;
        RETURN_IF_ERROR(ReadEscape(out));
      } else {
        out->push_back(c);
        if (!absl::ascii_iscntrl(static_cast<unsigned char>(c))) ++at_;
      }
      if (absl::ascii_iscntrl(static_cast<unsigned char>(out->back()))) return Wrong("a control character in a text");
    }
    if (at_ >= text_.size()) return Wrong("the file ends within a text");
    ++at_;
    return absl::OkStatus();
  }

  const std::string& name_;
  const std::string_view text_;
  const CheckMessage& check_;
  size_t at_ = 0, line_begin_ = 0;
  int line_ = 1;
};

}  // namespace

absl::Status ReadJsonMessage(const std::string& name, std::string_view text, const CheckMessage& check,
                             Message* message) {
  return JsonMessageReader(name, text, check).Read(message);
}

}  // namespace selvage::client
