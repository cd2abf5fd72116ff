#include "client/loom/document.h"

#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "client/loom/shape_json.h"
#include "client/loom/stack_editor.h"
#include "client/loom/text_tree.h"
#include "client/loom/text_units.h"
#include "client/utf8.h"
#include "client/write_file.h"
#include "google/protobuf/text_format.h"
#include "proto/digest.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;
using std::chrono::milliseconds;

constexpr absl::string_view kByteOrderMark = "\xef\xbb\xbf";
// A file that is being written is left alone for a moment, but not for ever; one that is not
// there may be on its way.
constexpr milliseconds kLeftAlone{40}, kLongestWait{1000}, kGone{300};
// A text that is longer than this comes to a page as its beginning: nobody types in a browser in
// so much, and reading it again at each edit would hold the page up.
constexpr size_t kMostText = 2u << 20, kBeginning = 64u << 10;
// Of undo and redo together.
constexpr size_t kMostRemembered = 64u << 20, kMostSteps = 2000;

const char* Word(Document::State state) {
  switch (state) {
    case Document::kGood:
      return "good";
    case Document::kFaulty:
      return "faulty";
    case Document::kUnreadable:
      return "unreadable";
    default:
      return "none";
  }
}

// Where a rename would not replace a link.
std::string RealPath(const std::string& path) {
  std::error_code error;
  const fs::path real = fs::canonical(path, error);
  return error ? fs::absolute(path, error).string() : real.string();
}

}  // namespace

Document::Document(const std::string& path) : path_(RealPath(path)) {
  read_only_ = ::access(path_.c_str(), W_OK) != 0 && errno != ENOENT;
  on_disk_ = true;
  stamp_ = StampOfFile();
  state_ = kUnreadable;
  Load();
}

Document::Document(const std::string& name, const Stack& stack) : path_(name), read_only_(true) {
  std::string text;
  google::protobuf::TextFormat::PrintToString(stack, &text);
  Take(text);
}

Document::Stamp Document::StampOfFile() const {
  struct stat s;
  if (::stat(path_.c_str(), &s) != 0) return {};
  return {true, s.st_mtim.tv_sec, s.st_mtim.tv_nsec, s.st_size, s.st_ino};
}

absl::StatusOr<std::string> Document::ReadFile() const {
  std::error_code error;
  if (!fs::exists(path_, error)) return absl::UnavailableError(absl::StrCat(path_, " is not there any more"));
  if (!fs::is_regular_file(path_, error)) return absl::UnavailableError(absl::StrCat(path_, " is no file"));
  const auto size = fs::file_size(path_, error);
  if (error || size > kMaxStackBytes) {
    return absl::UnavailableError(absl::StrCat(
        path_, ": ", error ? 0 : size >> 20, " MiB is too large for a stack; at most ", kMaxStackBytes >> 20, " MiB"));
  }
  std::ifstream in(path_, std::ios::binary);
  if (!in.is_open()) return absl::UnavailableError(absl::StrCat(path_, " cannot be read: ", std::strerror(errno)));
  // One byte more, to see one that grows.
  std::string text(static_cast<size_t>(size) + 1, '\0');
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  text.resize(static_cast<size_t>(in.gcount()));
  if (in.bad() || text.size() > kMaxStackBytes) return absl::UnavailableError(absl::StrCat(path_, " cannot be read"));
  text.shrink_to_fit();
  return text;
}

bool Document::Poll() {
  if (!on_disk_) return false;
  const auto now = Clock::now();
  const Stamp stamp = StampOfFile();
  if (!(stamp == stamp_)) {
    stamp_ = stamp;
    last_change_ = now;
    if (!first_change_) first_change_ = now;
  }
  if (!first_change_ || now < next_load_) return false;
  const auto quiet = now - last_change_;
  if (quiet < (stamp.there ? kLeftAlone : kGone) && now - *first_change_ < kLongestWait) return false;
  first_change_.reset();
  const bool changed = Load();
  // Whoever writes a large file all the time does not keep us from all else.
  next_load_ = Clock::now() + 3 * (Clock::now() - now);
  return changed;
}

bool Document::Load() {
  absl::StatusOr<std::string> bytes = ReadFile();
  if (!bytes.ok()) {
    const std::string message(bytes.status().message());
    const bool changed = state_ != kUnreadable || message_ != message;
    state_ = kUnreadable;
    message_ = message;
    Changed();
    return changed;
  }
  const bool marked = absl::StartsWith(*bytes, kByteOrderMark);
  const std::string text = marked ? bytes->substr(kByteOrderMark.size()) : *bytes;
  if (state_ != kUnreadable && text == text_ && marked == !mark_.empty()) return false;
  mark_ = marked ? std::string(kByteOrderMark) : "";
  // Before the first text there was none to go back to.
  if (text != text_ && !digest_.empty()) {
    Step step = Difference(text_, text);
    step.label = "saved elsewhere";
    redo_.clear();
    Remember(std::move(step));
  }
  Take(text);
  return true;
}

void Document::Take(const std::string& text, std::optional<StackFile> read) {
  text_ = text;
  digest_ = Sha256(text).Hex();
  message_.clear();
  faults_.clear();
  checked_ = false;
  Changed();
  absl::StatusOr<StackFile> file = read ? *std::move(read) : StackFile::Parse(path_, text);
  if (file.ok()) {
    good_ = *std::move(file);
    good_digest_ = digest_;
    state_ = kGood;
    return;
  }
  state_ = kFaulty;
  faults_ = FaultsOf(file.status());
  if (faults_.empty()) faults_.push_back({0, 0, "", std::string(file.status().message())});
}

absl::Status Document::CheckUnchanged(const std::string& digest) {
  if (state_ == kNone) return absl::FailedPreconditionError("this loom is open on no stack");
  if (read_only_) return absl::FailedPreconditionError(absl::StrCat(path_, " is shown read-only"));
  const absl::StatusOr<std::string> bytes = ReadFile();
  if (!bytes.ok() || *bytes != mark_ + text_) {
    Load();
    RETURN_IF_ERROR(bytes.status());
    return absl::AbortedError("the file has been saved by another program meanwhile: look at it again");
  }
  if (state_ == kUnreadable) Load();
  if (digest == digest_) return absl::OkStatus();
  return absl::AbortedError("the stack has been changed meanwhile: look at it again");
}

absl::Status Document::Write(const std::string& text, std::optional<StackFile> read) {
  RETURN_IF_ERROR(WriteFileAtomically(path_, mark_ + text));
  stamp_ = StampOfFile();
  first_change_.reset();
  Take(text, std::move(read));
  return absl::OkStatus();
}

absl::Status Document::Edit(const JsonMembers& request) {
  ASSIGN_OR_RETURN(const std::string digest, NeededText(request, "digest"));
  const JsonValue* edits = Member(request, "edits");
  if (edits == nullptr || edits->list_value().values_size() == 0) {
    return absl::InvalidArgumentError("\"edits\" must be a list of at least one");
  }
  RETURN_IF_ERROR(CheckUnchanged(digest));
  std::optional<StackEditor> begun;
  if (state_ == kGood) {
    begun.emplace(*good_);
  } else {
    begun.emplace(text_);
  }
  StackEditor& editor = *begun;
  bool all_plain = true;
  std::string first;
  for (const JsonValue& edit : edits->list_value().values()) {
    const JsonMembers& members = edit.struct_value();
    ASSIGN_OR_RETURN(const std::string kind, TextMember(members, "kind"));
    if (kind != "replace") {
      all_plain = false;
      if (state_ == kFaulty) {
        return absl::InvalidArgumentError("the stack's text has faults: mend them first");
      }
    }
    if (first.empty()) {
      ASSIGN_OR_RETURN(const std::string path, TextMember(members, "path"));
      first = kind == "replace" ? "type" : absl::StrCat(kind, " ", path);
    }
    RETURN_IF_ERROR(editor.Apply(members));
  }
  if (editor.text() == text_) return absl::OkStatus();
  // What an artist types is kept, whatever it is; what we write must be right.
  std::optional<StackFile> read;
  if (!all_plain) {
    ASSIGN_OR_RETURN(read, StackFile::Parse(path_, editor.text()));
  }
  if (InvalidUtf8At(editor.text()) != absl::string_view::npos) {
    return absl::InvalidArgumentError("the text would not be UTF-8 any more");
  }
  Step step = Difference(text_, editor.text());
  ASSIGN_OR_RETURN(step.label, TextMember(request, "label"));
  ASSIGN_OR_RETURN(step.group, TextMember(request, "group"));
  if (step.label.empty()) step.label = first;
  const std::string before = text_;
  RETURN_IF_ERROR(Write(editor.text(), std::move(read)));
  redo_.clear();
  if (!step.group.empty() && !undo_.empty() && undo_.back().group == step.group) {
    // One step from what was before the whole group.
    std::string start = before;
    const Step& last = undo_.back();
    start.replace(last.at, last.inserted.size(), last.removed);
    Step whole = Difference(start, text_);
    whole.label = step.label;
    whole.group = step.group;
    undo_.pop_back();
    step = std::move(whole);
  }
  Remember(std::move(step));
  return absl::OkStatus();
}

Document::Step Document::Difference(const std::string& before, const std::string& after) {
  const size_t shorter = std::min(before.size(), after.size());
  size_t same = 0, tail = 0;
  while (same < shorter && before[same] == after[same]) ++same;
  while (tail < shorter - same && before[before.size() - 1 - tail] == after[after.size() - 1 - tail]) ++tail;
  Step step;
  step.at = same;
  step.removed = before.substr(same, before.size() - tail - same);
  step.inserted = after.substr(same, after.size() - tail - same);
  return step;
}

void Document::Remember(Step step) {
  // A program that writes all the time is one step.
  const bool again = step.label == "saved elsewhere" && step.group.empty() && !undo_.empty() &&
                     undo_.back().label == step.label && undo_.back().group.empty();
  if (again) {
    std::string before = text_;
    const Step& last = undo_.back();
    before.replace(last.at, last.inserted.size(), last.removed);
    std::string after = text_;
    after.replace(step.at, step.removed.size(), step.inserted);
    Step whole = Difference(before, after);
    whole.label = step.label;
    undo_.pop_back();
    step = std::move(whole);
  }
  undo_.push_back(std::move(step));
  remembered_ = 0;
  for (const Step& s : undo_) remembered_ += s.removed.size() + s.inserted.size();
  while (undo_.size() > 1 && (remembered_ > kMostRemembered || undo_.size() > kMostSteps)) {
    remembered_ -= undo_.front().removed.size() + undo_.front().inserted.size();
    undo_.pop_front();
  }
  Changed();
}

absl::Status Document::TakeBack(const std::string& digest, std::deque<Step>* from, std::deque<Step>* to, bool undo) {
  RETURN_IF_ERROR(CheckUnchanged(digest));
  if (from->empty()) return absl::NotFoundError(undo ? "there is nothing to undo" : "there is nothing to redo");
  const Step step = from->back();
  std::string text = text_;
  if (undo) {
    text.replace(step.at, step.inserted.size(), step.removed);
  } else {
    text.replace(step.at, step.removed.size(), step.inserted);
  }
  RETURN_IF_ERROR(Write(text));
  from->pop_back();
  to->push_back(step);
  // What comes now is a step of its own.
  for (Step& s : *to) s.group.clear();
  for (Step& s : *from) s.group.clear();
  return absl::OkStatus();
}

absl::Status Document::Undo(const std::string& digest) { return TakeBack(digest, &undo_, &redo_, true); }
absl::Status Document::Redo(const std::string& digest) { return TakeBack(digest, &redo_, &undo_, false); }

std::vector<Fault> Document::FaultsFrom(const google::protobuf::RepeatedPtrField<StackError>& errors) const {
  std::vector<Fault> faults;
  for (const StackError& e : errors) {
    const auto [line, column] = good_ ? good_->PlaceOf(e.path()) : std::pair(0, 0);
    faults.push_back({line, column, e.path(), e.message()});
  }
  return faults;
}

void Document::SetDaemonFaults(const std::string& digest,
                               const google::protobuf::RepeatedPtrField<StackError>& errors) {
  if (digest != digest_ || state_ != kGood) return;
  checked_ = true;
  faults_ = FaultsFrom(errors);
  Changed();
}

void Document::WriteFaults(const std::vector<Fault>& faults, JsonWriter* out) const {
  const TextUnits units(text_);
  out->Array();
  for (const Fault& f : faults) {
    out->Object().Text("message", f.message);
    if (!f.path.empty()) out->Text("path", f.path);
    if (f.line > 0) {
      size_t at = 0;
      for (int line = 1; line < f.line && at < text_.size(); ++line)
        at = std::min(text_.find('\n', at), text_.size() - 1) + 1;
      for (int column = 1; column < f.column && at < text_.size(); ++column) at += Utf8Size(text_[at]);
      out->Whole("line", f.line).Whole("column", f.column);
      out->Whole("offset", static_cast<int64_t>(units.UnitsAt(at)));
    }
    out->EndObject();
  }
  out->EndArray();
}

std::string Document::TextJson() const {
  const bool shown = InvalidUtf8At(text_) == absl::string_view::npos;
  return JsonWriter().Object().Text("digest", digest_).Text("text", shown ? text_ : "").EndObject().Take();
}

const std::string& Document::Json() {
  if (!json_.empty()) return json_;
  JsonWriter out;
  out.Object().Text("state", Word(state_)).Text("message", message_).Text("digest", digest_).Text("path", path_);
  out.Bool("read_only", read_only_);
  // What is no text at all cannot be shown.
  const bool shown = InvalidUtf8At(text_) == absl::string_view::npos;
  const bool whole = text_.size() <= kMostText;
  size_t most = whole ? text_.size() : kBeginning;
  // Not within a character.
  while (!whole && (static_cast<unsigned char>(text_[most]) & 0xc0) == 0x80) --most;
  out.Text("text", shown ? absl::string_view(text_).substr(0, most) : "").Bool("whole", whole);
  out.Whole("bytes", static_cast<int64_t>(text_.size()));
  out.Key("faults");
  WriteFaults(faults_, &out);
  out.Bool("checked", checked_);
  out.Text("undo", undo_.empty() ? "" : undo_.back().label).Text("redo", redo_.empty() ? "" : redo_.back().label);
  out.Text("shape_digest", good_digest_);
  static const StackFile* const kNothing = new StackFile(*StackFile::Parse("", ""));
  const StackFile& good = good_ ? *good_ : *kNothing;
  WriteShape(TextTree(good.text(), good.places()), good.stack(), good_digest_ == digest_, &out);
  json_ = out.EndObject().Take();
  return json_;
}

}  // namespace selvage::client
