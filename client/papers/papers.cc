#include "client/papers/papers.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <set>
#include <tuple>
#include <utility>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "client/json.h"
#include "client/papers/json_message.h"
#include "client/write_file.h"
#include "client/written_files.h"
#include "proto/frame_pattern.h"
#include "proto/status.h"
#include "proto/version.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

constexpr uint32_t kFormat = 1;
constexpr size_t kMostPath = 4096;

bool IsHexDigest(const std::string& text) {
  return text.size() == 64 && std::all_of(text.begin(), text.end(), [](unsigned char c) {
           return absl::ascii_isdigit(c) || (c >= 'a' && c <= 'f');
         });
}

absl::Status CheckDigest(const char* what, const std::string& text) {
  if (IsHexDigest(text)) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat(what, " must be 64 hexadecimal digits in lower case"));
}

absl::Status CheckDeliveredPath(const std::string& path) {
  const auto wrong = [&](const char* why) {
    return absl::InvalidArgumentError(
        absl::StrCat("path \"", path.substr(0, 200), "\" ", why, "; it must lie in the folder of the papers or below"));
  };
  if (path.empty()) return wrong("is empty");
  if (path.size() > kMostPath) return wrong("is longer than 4,096 bytes");
  if (path[0] == '/') return wrong("is absolute");
  for (const absl::string_view part : absl::StrSplit(path, '/')) {
    if (part == "..") return wrong("goes up with \"..\"");
  }
  return absl::OkStatus();
}

absl::Status CheckSource(const DeliveryPapers::Source& source) {
  if (source.path().empty() || source.path()[0] != '/' || source.path().size() > kMostPath) {
    return absl::InvalidArgumentError("path of a source must be absolute, and of 4,096 bytes at most");
  }
  return CheckDigest("sha256", source.sha256());
}

absl::Status CheckFile(const DeliveryPapers::File& file) {
  RETURN_IF_ERROR(CheckDeliveredPath(file.path()));
  RETURN_IF_ERROR(CheckDigest("sha256", file.sha256()));
  return file.key().empty() ? absl::OkStatus() : CheckDigest("key", file.key());
}

absl::StatusOr<std::string> TextOfPapers(const std::string& path) {
  std::error_code error;
  if (!fs::exists(path, error)) return absl::NotFoundError(absl::StrCat(path, ": there is no such file"));
  const auto size = fs::is_regular_file(path, error) ? fs::file_size(path, error) : 0;
  if (error || !fs::is_regular_file(path, error)) {
    return absl::InvalidArgumentError(absl::StrCat(path, ": is no file that can be read"));
  }
  if (size > kMostPapersBytes) {
    return absl::InvalidArgumentError(
        absl::StrCat(path, ": has ", size, " bytes, papers have ", kMostPapersBytes, " at most"));
  }
  std::ifstream in(path, std::ios::binary);
  // It may grow meanwhile.
  std::string text(size, '\0');
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (!in.is_open() || in.bad()) return absl::InvalidArgumentError(absl::StrCat(path, ": cannot be read"));
  text.resize(static_cast<size_t>(in.gcount()));
  return text;
}

}  // namespace

absl::StatusOr<DeliveryPapers> ParsePapers(const std::string& name, std::string_view text) {
  std::set<std::string> paths;
  // A file's sources may come after it.
  uint32_t largest_source = 0;
  int line_of_largest = 0;
  const auto check = [&](const google::protobuf::Message& message, int line) -> absl::Status {
    if (message.GetDescriptor() == DeliveryPapers::Source::descriptor()) {
      return CheckSource(static_cast<const DeliveryPapers::Source&>(message));
    }
    if (message.GetDescriptor() != DeliveryPapers::File::descriptor()) return absl::OkStatus();
    const auto& file = static_cast<const DeliveryPapers::File&>(message);
    RETURN_IF_ERROR(CheckFile(file));
    if (!paths.insert(fs::path(file.path()).lexically_normal().string()).second) {
      return absl::InvalidArgumentError(absl::StrCat("path \"", file.path(), "\" comes twice"));
    }
    for (const uint32_t number : file.source()) {
      if (line_of_largest != 0 && number <= largest_source) continue;
      largest_source = number;
      line_of_largest = line;
    }
    return absl::OkStatus();
  };
  DeliveryPapers papers;
  RETURN_IF_ERROR(ReadJsonMessage(name, text, check, &papers));
  if (papers.format() != kFormat) {
    return absl::InvalidArgumentError(
        absl::StrCat(name, ":1:1: these are no papers of format ", kFormat, ", which is all that this version reads"));
  }
  if (line_of_largest != 0 && largest_source >= static_cast<uint32_t>(papers.source_size())) {
    return absl::InvalidArgumentError(absl::StrCat(name, ":", line_of_largest, ":1: source ", largest_source,
                                                   " is named, but there are only ", papers.source_size(),
                                                   ", counted from 0 on"));
  }
  return papers;
}

absl::StatusOr<DeliveryPapers> ReadPapers(const std::string& path) {
  ASSIGN_OR_RETURN(const std::string text, TextOfPapers(path));
  return ParsePapers(path, text);
}

absl::StatusOr<std::string> PapersPathOf(const Stack& stack, uint32_t version, const Deliverable& deliverable,
                                         const std::string& to) {
  ASSIGN_OR_RETURN(const FilePattern pattern, ParsePattern(FillBraces(deliverable.files(), stack.name(), version)),
                   Annotate("deliverable \"", deliverable.name(), "\" files"));
  const fs::path before(pattern.before);
  std::string stem = pattern.still() ? before.stem().string() : before.filename().string();
  while (!stem.empty() && (stem.back() == '.' || stem.back() == '_' || stem.back() == '-' || stem.back() == ' ')) {
    stem.pop_back();
  }
  fs::path folder = before.parent_path();
  if (!to.empty()) {
    // There all files lie in one folder, under the last part of their names.
    if (pattern.after.find('/') != std::string::npos) stem.clear();
    folder = fs::path(to) / deliverable.name();
  }
  const std::string name =
      stem.empty() || stem == deliverable.name() ? deliverable.name() : absl::StrCat(stem, ".", deliverable.name());
  return (fs::absolute(folder) / absl::StrCat(name, ".papers.json")).lexically_normal().string();
}

absl::StatusOr<PapersWriter> PapersWriter::Open(const std::string& path, const Stack& stack, uint32_t version,
                                                const std::string& deliverable, bool overwrite) {
  DeliveryPapers papers;
  if (IsPlateFile(path, stack)) {
    return absl::PermissionDeniedError(absl::StrCat(path, ": the papers would be written over a plate of the stack"));
  }
  std::error_code error;
  if (fs::exists(path, error)) {
    const auto text = TextOfPapers(path);
    const auto there = text.ok() ? ParsePapers(path, *text) : text.status();
    const bool same = there.ok() && there->stack_name() == stack.name() && there->deliverable() == deliverable;
    const bool edited = same && Json(*there) != *text;
    if (same) papers = *there;
    if (edited && !overwrite) {
      return absl::PermissionDeniedError(absl::StrCat(
          path, " was changed since Selvage wrote it; nothing was written. --overwrite writes it again without that"));
    }
    if (!same && !overwrite) {
      return absl::PermissionDeniedError(
          absl::StrCat(path,
                       there.ok() ? absl::StrCat(" is there already: the papers of deliverable \"",
                                                 there->deliverable(), "\" of stack \"", there->stack_name(), "\"")
                                  : " is there already, and Selvage did not write it",
                       "; nothing was written. --overwrite replaces it, --to writes to another folder"));
    }
  }
  papers.set_format(kFormat);
  papers.set_stack_name(stack.name());
  papers.set_version(version);
  papers.set_deliverable(deliverable);
  papers.set_made_by(kVersion);
  return PapersWriter(path, std::move(papers));
}

namespace {

// A still, or a frame that is held, is the same source at all frames.
std::string SourceName(const DeliveryPapers::Source& s) {
  return absl::StrCat(s.plate(), "\n", s.path(), "\n", s.sha256());
}

}  // namespace

void PapersWriter::Add(const std::string& path, int frame, uint64_t bytes, const Digest& digest,
                       const FileOrigin& origin) {
  if (source_number_.empty()) {
    for (int i = 0; i < papers_.source_size(); ++i) source_number_.emplace(SourceName(papers_.source(i)), i);
  }
  if (!origin.made_by().empty()) papers_.set_made_by(origin.made_by());
  unnamed_sources_ += origin.more_sources();
  without_sources_ += origin.source().empty();
  DeliveryPapers::File file;
  file.set_path(fs::path(path).lexically_relative(fs::path(path_).parent_path()).string());
  file.set_frame(frame);
  file.set_bytes(bytes);
  file.set_sha256(digest.Hex());
  if (const auto key = Digest::FromBytes(origin.key())) file.set_key(key->Hex());
  for (const FileOrigin::Source& from : origin.source()) {
    const auto sha = Digest::FromBytes(from.digest());
    if (!sha) continue;
    DeliveryPapers::Source source;
    source.set_plate(from.plate());
    source.set_frame(from.frame());
    source.set_path(from.path());
    source.set_sha256(sha->Hex());
    const auto [number, is_new] = source_number_.emplace(SourceName(source), papers_.source_size());
    if (is_new) {
      *papers_.add_source() = std::move(source);
    } else {
      // The first frame at which it is read, in whatever order files come.
      DeliveryPapers::Source* known = papers_.mutable_source(static_cast<int>(number->second));
      known->set_frame(std::min(known->frame(), source.frame()));
    }
    file.add_source(number->second);
  }
  added_[file.path()] = std::move(file);
}

absl::Status PapersWriter::Write() {
  if (added_.empty()) return absl::OkStatus();
  DeliveryPapers out = papers_;
  out.clear_source();
  out.clear_file();
  std::vector<const DeliveryPapers::File*> files;
  for (const DeliveryPapers::File& file : papers_.file()) {
    if (!added_.contains(file.path())) files.push_back(&file);
  }
  for (const auto& [path, file] : added_) files.push_back(&file);
  std::sort(files.begin(), files.end(), [](const DeliveryPapers::File* a, const DeliveryPapers::File* b) {
    return std::forward_as_tuple(a->frame(), a->path()) < std::forward_as_tuple(b->frame(), b->path());
  });
  // Sources that no file has any more are left out; the rest comes in order, so that the same
  // files have the same papers however they were fetched.
  std::vector<uint32_t> used;
  for (const auto* file : files) used.insert(used.end(), file->source().begin(), file->source().end());
  std::sort(used.begin(), used.end());
  used.erase(std::unique(used.begin(), used.end()), used.end());
  const auto& sources = papers_.source();
  std::sort(used.begin(), used.end(), [&](uint32_t a, uint32_t b) {
    const auto &x = sources[static_cast<int>(a)], &y = sources[static_cast<int>(b)];
    return std::forward_as_tuple(x.plate(), x.frame(), x.path(), x.sha256()) <
           std::forward_as_tuple(y.plate(), y.frame(), y.path(), y.sha256());
  });
  std::map<uint32_t, uint32_t> number;
  for (const uint32_t source : used) {
    number[source] = static_cast<uint32_t>(out.source_size());
    *out.add_source() = sources[static_cast<int>(source)];
  }
  for (const auto* file : files) {
    DeliveryPapers::File* copy = out.add_file();
    *copy = *file;
    for (uint32_t& source : *copy->mutable_source()) source = number[source];
    auto* of_file = copy->mutable_source();
    std::sort(of_file->begin(), of_file->end());
    of_file->erase(std::unique(of_file->begin(), of_file->end()), of_file->end());
  }
  const std::string text = Json(out);
  if (text.size() > kMostPapersBytes) {
    return absl::ResourceExhaustedError(absl::StrCat(path_, ": the papers would have ", text.size(),
                                                     " bytes, allowed are ", kMostPapersBytes,
                                                     "; fetch parts of the frames to folders of their own"));
  }
  return WriteFileAtomically(path_, text);
}

}  // namespace selvage::client
