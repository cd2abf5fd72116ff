// `selvage new`: a starting stack for a plate.
#include <cmath>
#include <cstdio>
#include <filesystem>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "client/commands.h"
#include "client/connection.h"
#include "client/output.h"
#include "client/starting_stack.h"
#include "client/survey_findings.h"
#include "proto/frame_pattern.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

// Frames of the first look; then, while what moves leaves the mask, those between.
constexpr int kFirstFrames = 5, kMostRounds = 3;

absl::StatusOr<SampleBox> ParseBox(const std::string& text) {
  const std::vector<std::string> parts = absl::StrSplit(text, absl::ByAnyChar(",@"));
  std::vector<int> numbers;
  for (const std::string& part : parts) {
    int number;
    if (absl::SimpleAtoi(part, &number)) numbers.push_back(number);
  }
  const bool at_frame = text.find('@') != std::string::npos;
  if (numbers.size() != parts.size() || numbers.size() != (at_frame ? 5u : 4u) || numbers[2] < 1 || numbers[3] < 1) {
    return absl::InvalidArgumentError(absl::StrCat(
        "--screen-box ", text,
        ": expected X,Y,WIDTH,HEIGHT in pixels from the top left, as in 40,40,96,96 (or 40,40,96,96@1012)"));
  }
  SampleBox box;
  box.set_x(numbers[0]);
  box.set_y(numbers[1]);
  box.set_width(static_cast<uint32_t>(numbers[2]));
  box.set_height(static_cast<uint32_t>(numbers[3]));
  if (at_frame) box.set_frame(numbers[4]);
  return box;
}

absl::StatusOr<std::optional<Encoding>> ParseEncoding(const std::string& text) {
  if (text.empty()) return std::optional<Encoding>();
  Encoding encoding;
  if (!Encoding_Parse(absl::StrCat("ENCODING_", absl::AsciiStrToUpper(text)), &encoding)) {
    return absl::InvalidArgumentError(
        absl::StrCat("--encoding ", text, ": allowed are linear, srgb, bt709, printing_density, acescct"));
  }
  return std::optional<Encoding>(encoding);
}

// As on the command line.
std::string NameOf(Encoding encoding) { return absl::AsciiStrToLower(Encoding_Name(encoding).substr(9)); }

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

// Asks the daemon, frame by frame.
class Surveyor {
 public:
  Surveyor(const Globals& globals, const StartingStack& s, const Frames& frames,
           const std::optional<Encoding>& encoding)
      : connection_(globals) {
    Stack& stack = *request_.mutable_stack();
    stack.set_name(s.name);
    stack.mutable_frames()->set_first(frames.first);
    stack.mutable_frames()->set_last(frames.last);
    Plate& plate = *stack.add_plate();
    plate.set_name("plate");
    plate.set_files(s.plate.pattern);
    if (!s.plate.missing.empty()) plate.set_missing(Plate::HOLD);
    if (encoding) plate.set_encoding(*encoding);
    request_.set_pass("plate");
  }

  absl::StatusOr<Surveyed> At(int frame, const SurveyPlate& survey) {
    request_.set_frame(frame);
    *request_.mutable_survey() = survey;
    const auto open = [&](grpc::ClientContext* context, uint64_t) {
      return connection_.jobs().Look(context, request_);
    };
    ASSIGN_OR_RETURN(const ReceivedFile file, ReceiveFile(connection_, open));
    std::vector<std::string> faults;
    for (const StackError& e : file.errors) faults.push_back(e.message());
    if (!faults.empty()) return absl::InvalidArgumentError(absl::StrJoin(faults, "\n"));
    Surveyed out{frame, {}};
    if (!out.survey.ParseFromString(file.bytes)) return absl::InternalError("the daemon's survey cannot be read");
    return out;
  }

 private:
  Connection connection_;
  LookRequest request_;
};

SurveyPlate ForColor(const Rgb& screen) {
  SurveyPlate survey;
  survey.mutable_color()->set_r(screen[0]);
  survey.mutable_color()->set_g(screen[1]);
  survey.mutable_color()->set_b(screen[2]);
  return survey;
}

void Insert(Surveyed s, std::vector<Surveyed>* surveys) {
  const auto at =
      std::find_if(surveys->begin(), surveys->end(), [&](const Surveyed& other) { return other.frame >= s.frame; });
  if (at != surveys->end() && at->frame == s.frame) {
    *at = std::move(s);
  } else {
    surveys->insert(at, std::move(s));
  }
}

// Surveys of frames over the whole range, all for one screen colour.
absl::StatusOr<std::vector<Surveyed>> SurveyFrames(Surveyor* surveyor, const Frames& frames,
                                                   const std::optional<SampleBox>& box) {
  const std::vector<int> first = SpreadFrames(frames, kFirstFrames);
  std::vector<Surveyed> surveys;
  Rgb screen;
  if (box) {
    SurveyPlate survey;
    *survey.mutable_box() = *box;
    ASSIGN_OR_RETURN(Surveyed at_box, surveyor->At(box->has_frame() ? box->frame() : frames.first, survey));
    screen = ScreenOf(at_box.survey);
    surveys.push_back(std::move(at_box));
  } else {
    for (int frame : first) {
      ASSIGN_OR_RETURN(Surveyed found, surveyor->At(frame, {}));
      surveys.push_back(std::move(found));
    }
    ASSIGN_OR_RETURN(screen, AgreedScreen(surveys));
    // A frame that took something else for the screen is asked again.
    std::erase_if(surveys, [&](const Surveyed& s) { return !SameHue(ScreenOf(s.survey), screen); });
  }
  const auto add = [&](const std::vector<int>& more) -> absl::Status {
    for (int frame : more) {
      const bool there =
          std::any_of(surveys.begin(), surveys.end(), [&](const Surveyed& s) { return s.frame == frame; });
      if (there) continue;
      ASSIGN_OR_RETURN(Surveyed found, surveyor->At(frame, ForColor(screen)));
      Insert(std::move(found), &surveys);
    }
    return absl::OkStatus();
  };
  RETURN_IF_ERROR(add(first));
  // Until what the frames between show stays within the mask that is there.
  for (int round = 0; round < kMostRounds; ++round) {
    const Outline mask = HullOfForeground(surveys, true);
    std::vector<int> known;
    for (const Surveyed& s : surveys) known.push_back(s.frame);
    const std::vector<int> between = FramesBetween(known);
    if (between.empty()) break;
    RETURN_IF_ERROR(add(between));
    if (Contains(mask, HullOfForeground(surveys, false))) break;
  }
  return surveys;
}

std::string Percent(double share) { return absl::StrFormat("%.0f %%", 100 * share); }

void Report(const NewOptions& options, const StartingStack& s) {
  const PlateFindings& f = s.findings;
  const SampleBox& box = f.box();
  std::vector<std::vector<std::string>> rows = {
      {"plate",
       absl::StrFormat("%s, %d x %d, frames %d-%d", s.plate_files, f.width(), f.height(), f.first(), f.last())},
      {"encoding", absl::StrFormat("%s; values from %.3g to %.3g", NameOf(f.encoding()), f.least(), f.greatest())},
      {"surveyed", absl::StrCat("frames ", absl::StrJoin(f.surveyed(), ", "))},
      {"screen", absl::StrFormat("R %.3g G %.3g B %.3g, saturation %.2f; bare over %s of the picture", f.screen(0),
                                 f.screen(1), f.screen(2), f.saturation(), Percent(f.bare_share()))},
      {"sample box", absl::StrFormat("x %d y %d, %d x %d; noise %.2g %% of its level", box.x(), box.y(), box.width(),
                                     box.height(), 100 * f.roughness())},
      {"chroma", f.chroma_halved() ? "halved by the recording: chroma_detail comes before the key" : "of every pixel"},
      {"garbage mask",
       f.garbage().empty() ? "none" : absl::StrCat("keeps ", Percent(f.garbage_share()), " of the picture")}};
  for (const auto& row : rows) std::printf("%-13s %s\n", row[0].c_str(), row[1].c_str());
  const int middle = static_cast<int>((int64_t{f.first()} + f.last()) / 2);
  const char* file = options.output.c_str();
  std::printf(
      "\n%s is written. Next:\n  selvage look %s comp --frame %d --as black -o comp.png\n  selvage submit %s --watch\n",
      file, file, middle, file);
}

}  // namespace

absl::Status RunNew(const Globals& globals, const NewOptions& options) {
  std::error_code error;
  if (!options.force && fs::exists(options.output, error)) {
    return absl::InvalidArgumentError(absl::StrCat(options.output, " is there already; --force overwrites it"));
  }
  std::optional<Frames> wanted;
  if (!options.frames.empty()) RETURN_IF_ERROR(ParseFrames(options.frames, &wanted.emplace()));
  std::optional<SampleBox> box;
  if (!options.screen_box.empty()) {
    ASSIGN_OR_RETURN(box, ParseBox(options.screen_box));
  }
  StartingStack s;
  s.name = NameFrom(options.output);
  s.file = fs::path(options.output).filename().string();
  ASSIGN_OR_RETURN(const auto encoding, ParseEncoding(options.encoding));
  ASSIGN_OR_RETURN(s.plate, FindPlateFiles(options.plate, wanted));
  s.plate_files = SeenFrom(options.output, s.plate.pattern);
  if (!options.background.empty()) {
    const std::string files = fs::absolute(options.background).lexically_normal().string();
    RETURN_IF_ERROR(ParsePattern(files).status());
    s.background_files = SeenFrom(options.output, files);
  }
  const Frames& frames = s.plate.frames;
  if (box && box->has_frame() && (box->frame() < frames.first || box->frame() > frames.last)) {
    return absl::InvalidArgumentError(absl::StrCat("--screen-box ", options.screen_box, ": frame ", box->frame(),
                                                   " is outside the plate's frames ", frames.first, "-", frames.last));
  }
  Surveyor surveyor(globals, s, frames, encoding);
  ASSIGN_OR_RETURN(const std::vector<Surveyed> surveys, SurveyFrames(&surveyor, frames, box));
  ASSIGN_OR_RETURN(s.findings, MergeSurveys(frames, surveys, box));
  const bool coded = s.findings.encoding() == ENCODING_SRGB || s.findings.encoding() == ENCODING_BT709;
  if (coded && s.findings.greatest() > 1) {
    s.findings.add_warning(absl::StrFormat("there are values up to %.3g, which %s has not: is the plate linear light?",
                                           s.findings.greatest(), NameOf(s.findings.encoding())));
  }
  RETURN_IF_ERROR(WriteFileAtomically(options.output, TextOf(s)));
  for (const std::string& warning : s.findings.warning()) std::fprintf(stderr, "warning: %s\n", warning.c_str());
  if (globals.json) {
    std::fputs(Json(s.findings).c_str(), stdout);
  } else {
    Report(options, s);
  }
  return absl::OkStatus();
}

}  // namespace selvage::client
