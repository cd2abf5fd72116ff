#include "client/stack_file.h"

#include <filesystem>
#include <fstream>
#include <optional>

#include "absl/strings/str_cat.h"
#include "client/assign.h"
#include "google/protobuf/io/tokenizer.h"
#include "google/protobuf/io/zero_copy_stream_impl_lite.h"
#include "proto/catalogue.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::TextFormat;

constexpr char kNoField[] = "has no field named \"";

// The word in quotes that follows `lead` (which ends in a quote), or "".
std::string Quoted(const std::string& message, const std::string& lead) {
  const size_t at = message.find(lead);
  if (at == std::string::npos) return "";
  const size_t from = at + lead.size();
  return message.substr(from, message.find('"', from) - from);
}

// The parser's own words name message types; an artist knows operators.
std::string InArtistsWords(const std::string& message) {
  const std::string name = Quoted(message, kNoField);
  if (name.empty()) return message;
  if (message.find("\"selvage.Step\"") != std::string::npos) {
    const std::string closest = ClosestOperator(name);
    return absl::StrCat("there is no operator \"", name, "\"",
                        closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?"),
                        " (`selvage steps` lists them all)");
  }
  const std::string type = Quoted(message, "\"selvage.");
  return absl::StrCat("there is no field \"", name, "\" in ", type.empty() ? "this place" : type);
}

class FirstError : public google::protobuf::io::ErrorCollector {
 public:
  FirstError(const std::string& file, const std::string& source) : file_(file), source_(source) {}
  void AddError(int line, int column, const std::string& message) override {
    if (!text_.empty()) return;
    text_ = absl::StrCat(file_, ":", line + 1, ":", Blamed(line, column, message) + 1, ": ", InArtistsWords(message));
  }
  void AddWarning(int, int, const std::string&) override {}
  const std::string& text() const { return text_; }

 private:
  // The parser points behind an unknown name; people want its first letter.
  int Blamed(int line, int column, const std::string& message) const {
    const std::string name = Quoted(message, kNoField);
    if (name.empty()) return column;
    size_t begin = 0;
    for (int i = 0; i < line && begin != std::string::npos; ++i) begin = source_.find('\n', begin) + 1;
    const size_t at = source_.rfind(name, begin + static_cast<size_t>(column));
    return at == std::string::npos || at < begin ? column : static_cast<int>(at - begin);
  }

  std::string file_, text_;
  const std::string& source_;
};

void MakeAbsolute(const std::filesystem::path& folder, std::string* files) {
  if (files->empty() || (*files)[0] == '/') return;
  *files = (folder / *files).lexically_normal().string();
}

struct PathPart {
  std::string name;
  int index = -1;
};

std::vector<PathPart> SplitPath(const std::string& path) {
  std::vector<PathPart> parts;
  size_t at = 0;
  while (at < path.size()) {
    size_t dot = path.find('.', at);
    if (dot == std::string::npos) dot = path.size();
    std::string piece = path.substr(at, dot - at);
    PathPart part;
    const size_t bracket = piece.find('[');
    part.name = piece.substr(0, bracket);
    if (bracket != std::string::npos) part.index = std::atoi(piece.c_str() + bracket + 1);
    parts.push_back(part);
    at = dot + 1;
  }
  return parts;
}

}  // namespace

absl::StatusOr<StackFile> StackFile::Read(const std::string& path) {
  std::error_code error;
  const std::filesystem::path file(path);
  if (!std::filesystem::is_regular_file(file, error)) {
    return absl::InvalidArgumentError(absl::StrCat(path, ": there is no such stack file"));
  }
  const auto size = std::filesystem::file_size(file, error);
  if (error || size > kMaxStackBytes) {
    return absl::InvalidArgumentError(
        absl::StrCat(path, ": ", size >> 20, " MiB is too large for a stack; at most ", kMaxStackBytes >> 20, " MiB"));
  }
  std::ifstream in(path, std::ios::binary);
  std::string text((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
  if (!in && !in.eof()) return absl::InvalidArgumentError(absl::StrCat(path, ": cannot be read"));

  StackFile out;
  out.path_ = path;
  out.places_ = std::make_shared<TextFormat::ParseInfoTree>();
  FirstError collector(path, text);
  TextFormat::Parser parser;
  parser.RecordErrorsTo(&collector);
  parser.WriteLocationsTo(out.places_.get());
  parser.SetRecursionLimit(64);
  if (!parser.ParseFromString(text, &out.stack_)) {
    return absl::InvalidArgumentError(collector.text().empty() ? absl::StrCat(path, ": is not a stack")
                                                               : collector.text());
  }
  const auto folder = std::filesystem::absolute(file, error).parent_path();
  for (Plate& plate : *out.stack_.mutable_plate()) MakeAbsolute(folder, plate.mutable_files());
  for (Deliverable& d : *out.stack_.mutable_deliver()) MakeAbsolute(folder, d.mutable_files());
  return out;
}

absl::Status StackFile::Set(const std::string& assignment) { return Assign(assignment, &stack_); }

std::string StackFile::Locate(const std::string& field_path) const {
  const google::protobuf::Descriptor* type = Stack::descriptor();
  const TextFormat::ParseInfoTree* tree = places_.get();
  std::optional<TextFormat::ParseLocation> best;
  for (const PathPart& part : SplitPath(field_path)) {
    if (type == nullptr || tree == nullptr) break;
    const FieldDescriptor* field = type->FindFieldByName(part.name);
    if (field == nullptr) break;
    // The tree insists on an index for repeated fields and on none for others.
    const int index = field->is_repeated() ? std::max(0, part.index) : -1;
    const auto place = tree->GetLocation(field, index);
    if (place.line >= 0) best = place;
    type = field->message_type();
    tree = type == nullptr ? nullptr : tree->GetTreeForNested(field, index);
  }
  if (!best) return path_;
  return absl::StrCat(path_, ":", best->line + 1, ":", best->column + 1);
}

absl::StatusOr<StackFile> ReadStack(const std::string& path, const std::vector<std::string>& set) {
  ASSIGN_OR_RETURN(StackFile file, StackFile::Read(path));
  for (const std::string& assignment : set) RETURN_IF_ERROR(file.Set(assignment));
  return file;
}

}  // namespace selvage::client
