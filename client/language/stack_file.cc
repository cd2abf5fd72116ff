#include "client/language/stack_file.h"

#include <filesystem>
#include <fstream>

#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_split.h"
#include "client/language/assign.h"
#include "client/utf8.h"
#include "google/protobuf/io/tokenizer.h"
#include "google/protobuf/text_format.h"
#include "proto/short_forms.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

// What some editors put before UTF-8.
constexpr absl::string_view kByteOrderMark = "\xef\xbb\xbf";

// What the parser found and our own search did not: only what stands there is used.
std::string InOurWords(const std::string& message) {
  constexpr absl::string_view kRest = "does not belong here; a field name, a value or a closing brace does";
  const size_t got = message.rfind("got: ");
  if (got == std::string::npos) return absl::StrCat("what stands here ", kRest);
  return absl::StrCat("`", message.substr(got + 5), "` ", kRest);
}

// Collects what protobuf's parser still finds, at the places of the artist's text.
class ParserFaults : public google::protobuf::io::ErrorCollector {
 public:
  explicit ParserFaults(const Expanded& expanded) : expanded_(expanded) {}
  void Add(const TextPlace& place, const std::string& message) {
    found_.push_back({place.line + 1, place.column + 1, "", message});
  }
  void AddError(int line, int column, const std::string& message) override {
    Add(expanded_.Original({line, column}), InOurWords(message));
  }
  void AddWarning(int, int, const std::string&) override {}
  const std::vector<Fault>& found() const { return found_; }

 private:
  const Expanded& expanded_;
  std::vector<Fault> found_;
};

void MakeAbsolute(const fs::path& folder, std::string* files) {
  if (files->empty() || (*files)[0] == '/') return;
  *files = (folder / *files).lexically_normal().string();
}

// What is no text in UTF-8 at all; OK if it is.
absl::Status CheckIsText(const std::string& path, absl::string_view text) {
  if (absl::StartsWith(text, "\xff\xfe") || absl::StartsWith(text, "\xfe\xff")) {
    return FaultsIn(path, {{1, 1, "", "this file is in UTF-16: save it as UTF-8 (plain text)"}});
  }
  const size_t bad = std::min(InvalidUtf8At(text), text.find('\0'));
  if (bad == absl::string_view::npos) return absl::OkStatus();
  const auto [line, column] = LineIndex(text.substr(0, bad)).At(bad);
  return FaultsIn(path, {{line, column, "",
                          absl::StrFormat("this is not a text in UTF-8 (byte 0x%02x); a stack is a plain text file",
                                          static_cast<unsigned char>(text[bad]))}});
}

// "pass[3]" -> "pass", 3; without a number: 0.
std::pair<std::string, int> SplitPart(absl::string_view part) {
  const size_t bracket = part.find('[');
  int index = 0;
  if (bracket != absl::string_view::npos && absl::EndsWith(part, "]") &&
      !absl::SimpleAtoi(part.substr(bracket + 1, part.size() - bracket - 2), &index)) {
    index = 0;
  }
  return {std::string(part.substr(0, bracket)), index};
}

}  // namespace

absl::StatusOr<StackFile> StackFile::Read(const std::string& path) {
  std::error_code error;
  if (!fs::is_regular_file(path, error)) {
    return absl::InvalidArgumentError(absl::StrCat(path, ": there is no such stack file"));
  }
  const auto size = fs::file_size(path, error);
  if (error || size > kMaxStackBytes) {
    return absl::InvalidArgumentError(
        absl::StrCat(path, ": ", size >> 20, " MiB is too large for a stack; at most ", kMaxStackBytes >> 20, " MiB"));
  }
  std::ifstream in(path, std::ios::binary);
  const std::string text((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
  if (!in && !in.eof()) return absl::InvalidArgumentError(absl::StrCat(path, ": cannot be read"));
  return Parse(path, text);
}

absl::StatusOr<StackFile> StackFile::Parse(const std::string& path, const std::string& text) {
  StackFile out;
  out.path_ = path;
  out.text_ = absl::StartsWith(text, kByteOrderMark) ? text.substr(kByteOrderMark.size()) : text;
  RETURN_IF_ERROR(CheckIsText(path, out.text_));
  Syntax syntax = ReadSyntax(out.text_, Stack::descriptor());
  RETURN_IF_ERROR(FaultsIn(path, syntax.faults));
  out.places_ = std::move(syntax.places);

  ASSIGN_OR_RETURN(const Expanded expanded, ExpandShortForms(syntax.text, Stack::descriptor()), Annotate(path));
  ParserFaults collector(expanded);
  for (const ShortFormFault& f : expanded.faults) collector.Add(f.at, f.message);
  google::protobuf::TextFormat::Parser parser;
  parser.RecordErrorsTo(&collector);
  parser.SetRecursionLimit(64);
  const bool parsed = parser.ParseFromString(expanded.text, &out.stack_);
  RETURN_IF_ERROR(FaultsIn(path, collector.found()));
  if (!parsed) {
    return absl::InvalidArgumentError(absl::StrCat(path, ": is not a stack"));
  }
  std::error_code error;
  const auto folder = fs::absolute(path, error).parent_path();
  for (Plate& plate : *out.stack_.mutable_plate()) MakeAbsolute(folder, plate.mutable_files());
  for (Deliverable& d : *out.stack_.mutable_deliver()) MakeAbsolute(folder, d.mutable_files());
  return out;
}

absl::Status StackFile::Set(const std::string& assignment) { return Assign(assignment, &stack_); }

std::pair<int, int> StackFile::PlaceOf(const std::string& field_path) const {
  int best = 0;
  for (absl::string_view part : absl::StrSplit(field_path, '.')) {
    const auto [name, index] = SplitPart(part);
    int found = 0;
    for (size_t i = static_cast<size_t>(best) + 1; i < places_.size() && found == 0; ++i) {
      const FieldPlace& p = places_[i];
      if (p.parent == best && p.index == index && p.field->name() == name) found = static_cast<int>(i);
    }
    if (found == 0) break;
    best = found;
  }
  return best == 0 ? std::pair(0, 0) : LineIndex(text_).At(places_[static_cast<size_t>(best)].at);
}

std::string StackFile::Locate(const std::string& field_path) const {
  const auto [line, column] = PlaceOf(field_path);
  return line == 0 ? path_ : absl::StrCat(path_, ":", line, ":", column);
}

absl::StatusOr<StackFile> ReadStack(const std::string& path, const std::vector<std::string>& set) {
  ASSIGN_OR_RETURN(StackFile file, StackFile::Read(path));
  for (const std::string& assignment : set) RETURN_IF_ERROR(file.Set(assignment));
  return file;
}

}  // namespace selvage::client
