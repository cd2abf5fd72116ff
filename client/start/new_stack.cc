#include "client/start/new_stack.h"

#include <filesystem>
#include <optional>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_split.h"
#include "client/encoding.h"
#include "client/exit_code.h"
#include "client/start/merged_survey.h"
#include "client/start/surveyor.h"
#include "client/write_file.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

// Of SampleBox, for a noise profile.
constexpr int kLeastBox = 8;

absl::StatusOr<std::optional<SampleBox>> ParseScreenBox(const std::string& text) {
  if (text.empty()) return std::optional<SampleBox>();
  const std::vector<std::string> parts = absl::StrSplit(text, absl::ByAnyChar(",@"));
  std::vector<int> numbers;
  for (const std::string& part : parts) {
    int number;
    if (absl::SimpleAtoi(part, &number)) numbers.push_back(number);
  }
  const bool at_frame = text.find('@') != std::string::npos;
  if (numbers.size() != parts.size() || numbers.size() != (at_frame ? 5u : 4u) || numbers[2] < 1 || numbers[3] < 1) {
    return UsageError(absl::StrCat(
        "--screen-box ", text,
        ": expected X,Y,WIDTH,HEIGHT in pixels from the top left, as in 40,40,96,96 (or 40,40,96,96@1012)"));
  }
  if (numbers[2] < kLeastBox || numbers[3] < kLeastBox) {
    return UsageError(absl::StrCat("--screen-box ", text, ": at least ", kLeastBox, " x ", kLeastBox,
                                   " pixels are needed to measure noise"));
  }
  SampleBox box;
  box.set_x(numbers[0]);
  box.set_y(numbers[1]);
  box.set_width(static_cast<uint32_t>(numbers[2]));
  box.set_height(static_cast<uint32_t>(numbers[3]));
  if (at_frame) box.set_frame(numbers[4]);
  return std::optional<SampleBox>(box);
}

// A name as stacks allow it, from the file's.
std::string NameFrom(const std::string& output) {
  std::string name = fs::path(output).stem().string().substr(0, 64);
  for (char& c : name) {
    if (!absl::ascii_isalnum(static_cast<unsigned char>(c)) && c != '_' && c != '-' && c != '.') c = '_';
  }
  if (name.empty() || name[0] == '.' || name[0] == '-') name.insert(0, "shot");
  return name;
}

// As a stack in that folder says it: relative where the file lies below it.
std::string SeenFrom(const std::string& stack, const std::string& files) {
  const std::string folder = fs::absolute(stack).parent_path().lexically_normal().string() + "/";
  return files.starts_with(folder) ? files.substr(folder.size()) : files;
}

absl::Status CheckBoxFrame(const std::string& given, const std::optional<SampleBox>& box, const PlateFiles& plate) {
  if (!box || !box->has_frame()) return absl::OkStatus();
  if (box->frame() < plate.frames.first || box->frame() > plate.frames.last) {
    return UsageError(absl::StrCat("--screen-box ", given, ": frame ", box->frame(), " is outside the plate's frames ",
                                   plate.frames.first, "-", plate.frames.last));
  }
  if (Existing({box->frame()}, plate)[0] == box->frame()) return absl::OkStatus();
  return UsageError(absl::StrCat("--screen-box ", given, ": the plate has no file for frame ", box->frame()));
}

// The client may not see what the daemon sees; then the daemon is asked.
absl::Status FillBackground(const NewStack& wish, Surveyor* surveyor, StartingStack* s) {
  if (wish.background.empty()) return absl::OkStatus();
  const auto found = FindBackground(wish.background, s->plate.frames);
  const std::string files = fs::absolute(wish.background).lexically_normal().string();
  if (absl::IsNotFound(found.status()) && s->plate.present.empty() && !s->plate.still) {
    RETURN_IF_ERROR(surveyor->CheckBackground(files));
  } else {
    RETURN_IF_ERROR(found.status());
    s->background_offset = found->offset;
  }
  s->background_files = SeenFrom(wish.output, files);
  return absl::OkStatus();
}

void DoubtEncoding(PlateFindings* f) {
  const bool coded = f->encoding() == ENCODING_SRGB || f->encoding() == ENCODING_BT709;
  if (!coded || f->greatest() <= 1) return;
  f->add_warning(absl::StrFormat("there are values up to %.3g, but %s ends at 1: is the plate linear light?",
                                 f->greatest(), EncodingName(f->encoding())));
}

absl::Status CheckFree(const NewStack& wish) {
  std::error_code error;
  if (wish.replace || !fs::exists(wish.output, error)) return absl::OkStatus();
  return absl::AlreadyExistsError(absl::StrCat(wish.output, " is there already"));
}

}  // namespace

absl::StatusOr<StartingStack> WriteNewStack(Connection* connection, const NewStack& wish) {
  RETURN_IF_ERROR(CheckFree(wish));
  std::optional<Frames> wanted;
  if (!wish.frames.empty()) {
    ASSIGN_OR_RETURN(wanted, ParseFrames(wish.frames));
  }
  ASSIGN_OR_RETURN(const std::optional<SampleBox> box, ParseScreenBox(wish.screen_box));
  std::optional<Encoding> encoding;
  if (!wish.encoding.empty()) {
    ASSIGN_OR_RETURN(encoding, ParseEncoding(wish.encoding));
  }
  StartingStack s;
  s.name = NameFrom(wish.output);
  s.file = fs::path(wish.output).filename().string();
  ASSIGN_OR_RETURN(s.plate, FindPlateFiles(wish.plate, wanted));
  s.plate_files = SeenFrom(wish.output, s.plate.pattern);
  RETURN_IF_ERROR(CheckBoxFrame(wish.screen_box, box, s.plate));
  Surveyor surveyor(connection, s.name, s.plate, encoding);
  RETURN_IF_ERROR(FillBackground(wish, &surveyor, &s));
  ASSIGN_OR_RETURN(const std::vector<Surveyed> surveys, surveyor.SurveyFrames(box));
  ASSIGN_OR_RETURN(s.findings, MergeSurveys(s.plate.frames, surveys, box));
  DoubtEncoding(&s.findings);
  // Surveying takes a while: somebody may have written it meanwhile.
  RETURN_IF_ERROR(CheckFree(wish));
  RETURN_IF_ERROR(WriteFileAtomically(wish.output, TextOf(s)));
  return s;
}

}  // namespace selvage::client
