// `selvage new`: a starting stack for a plate.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <optional>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/encoding.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/start/merged_survey.h"
#include "client/start/starting_stack.h"
#include "client/start/surveyor.h"
#include "client/write_file.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

// Of SampleBox, for a noise profile.
constexpr int kLeastBox = 8;

absl::StatusOr<std::optional<SampleBox>> ParseBox(const std::string& text) {
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

std::string Percent(double share) { return absl::StrFormat("%.0f %%", 100 * share); }

void Print(const std::string& output, const StartingStack& s) {
  const PlateFindings& f = s.findings;
  const SampleBox& box = f.box();
  std::vector<std::vector<std::string>> rows = {
      {"plate",
       absl::StrFormat("%s, %d x %d, frames %d-%d", s.plate_files, f.width(), f.height(), f.first(), f.last())},
      {"encoding",
       absl::StrFormat("%s; values from %.3g to %.3g", EncodingName(f.encoding()), f.least(), f.greatest())},
      {"surveyed", absl::StrCat("frames ", absl::StrJoin(f.surveyed(), ", "))},
      {"screen", absl::StrFormat("R %.3g G %.3g B %.3g, saturation %.2f; bare over %s of the picture", f.screen(0),
                                 f.screen(1), f.screen(2), f.saturation(), Percent(f.bare_share()))},
      {"sample box", absl::StrFormat("x %d y %d, %d x %d; noise %.2g %% of its level", box.x(), box.y(), box.width(),
                                     box.height(), 100 * f.roughness())},
      {"chroma", f.chroma_halved() ? "at half resolution: `chroma_detail` puts detail back before the key"
                                   : "at full resolution"},
      {"garbage mask",
       f.garbage().empty() ? "none" : absl::StrCat("keeps ", Percent(f.garbage_share()), " of the picture")}};
  for (const auto& row : rows) std::printf("%-13s %s\n", row[0].c_str(), row[1].c_str());
  const int middle = static_cast<int>((int64_t{f.first()} + f.last()) / 2);
  const char* file = output.c_str();
  std::printf(
      "\n%s is written. Next:\n  selvage look %s front --frame %d --as checker -o front.png\n"
      "  selvage submit %s --watch\n",
      file, file, middle, file);
}

class New final : public Command {
 public:
  CommandHelp help() const override {
    return {"new", Group::kStack, "Write a starting stack for a plate: it keys as it stands",
            "The plate is surveyed at a handful of frames: colour of the screen (any hue), a box of bare screen\n"
            "for noise and colour, a garbage mask around all that is not screen. --json prints what was found.\n"
            "  selvage new --plate plates/apiary_010.%04d.exr --background bg/meadow.%04d.exr -o apiary_010.stack\n"
            "  selvage new --plate plates/apiary_010.1001.exr --screen-box 40,40,96,96 -o apiary_010.stack"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("--plate", plate_, "Path with %04d for the frame number, or of one frame")
        ->required()
        ->type_name("FILES");
    app->add_option("--output,-o", output_, "Stack to write")->required()->type_name("STACK");
    app->add_option("--background", background_, "What it goes over; default: a plain grey")->type_name("FILES");
    app->add_option("--frames", frames_,
                    "Only these, as in 1001-1048; default: all. Needed where only the daemon sees the files")
        ->type_name("A-B");
    app->add_option("--encoding", encoding_,
                    "linear, srgb, bt709, printing_density or acescct; default: as the files' headers say, else linear "
                    "for EXR, printing density for DPX, srgb for the rest");
    app->add_option("--screen-box", screen_box_,
                    "A box of bare screen, where it isn't found by itself; @FRAME: it is bare at that frame")
        ->type_name("X,Y,WIDTH,HEIGHT");
    app->add_flag("--force", force_, "Replace the stack if it is there");
  }

  absl::Status Run(const Globals& globals) override {
    std::error_code error;
    if (!force_ && fs::exists(output_, error)) {
      return absl::InvalidArgumentError(absl::StrCat(output_, " is there already; --force replaces it"));
    }
    std::optional<Frames> wanted;
    if (!frames_.empty()) {
      ASSIGN_OR_RETURN(wanted, ParseFrames(frames_));
    }
    ASSIGN_OR_RETURN(const std::optional<SampleBox> box, ParseBox(screen_box_));
    std::optional<Encoding> encoding;
    if (!encoding_.empty()) {
      ASSIGN_OR_RETURN(encoding, ParseEncoding(encoding_));
    }
    StartingStack s;
    s.name = NameFrom(output_);
    s.file = fs::path(output_).filename().string();
    ASSIGN_OR_RETURN(s.plate, FindPlateFiles(plate_, wanted));
    s.plate_files = SeenFrom(output_, s.plate.pattern);
    RETURN_IF_ERROR(CheckBoxFrame(box, s.plate));
    Connection connection(globals);
    Surveyor surveyor(&connection, s.name, s.plate, encoding);
    RETURN_IF_ERROR(FillBackground(&surveyor, &s));
    ASSIGN_OR_RETURN(const std::vector<Surveyed> surveys, surveyor.SurveyFrames(box));
    ASSIGN_OR_RETURN(s.findings, MergeSurveys(s.plate.frames, surveys, box));
    DoubtEncoding(&s.findings);
    RETURN_IF_ERROR(WriteFileAtomically(output_, TextOf(s)));
    for (const std::string& warning : s.findings.warning()) std::fprintf(stderr, "warning: %s\n", warning.c_str());
    if (globals.json) {
      std::fputs(Json(s.findings).c_str(), stdout);
    } else {
      Print(output_, s);
    }
    return absl::OkStatus();
  }

 private:
  absl::Status CheckBoxFrame(const std::optional<SampleBox>& box, const PlateFiles& plate) const {
    if (!box || !box->has_frame()) return absl::OkStatus();
    if (box->frame() < plate.frames.first || box->frame() > plate.frames.last) {
      return UsageError(absl::StrCat("--screen-box ", screen_box_, ": frame ", box->frame(),
                                     " is outside the plate's frames ", plate.frames.first, "-", plate.frames.last));
    }
    if (Existing({box->frame()}, plate)[0] == box->frame()) return absl::OkStatus();
    return UsageError(absl::StrCat("--screen-box ", screen_box_, ": the plate has no file for frame ", box->frame()));
  }

  // The client may not see what the daemon sees; then the daemon is asked.
  absl::Status FillBackground(Surveyor* surveyor, StartingStack* s) const {
    if (background_.empty()) return absl::OkStatus();
    const auto found = FindBackground(background_, s->plate.frames);
    const std::string files = fs::absolute(background_).lexically_normal().string();
    if (absl::IsNotFound(found.status()) && s->plate.present.empty() && !s->plate.still) {
      RETURN_IF_ERROR(surveyor->CheckBackground(files));
    } else {
      RETURN_IF_ERROR(found.status());
      s->background_offset = found->offset;
    }
    s->background_files = SeenFrom(output_, files);
    return absl::OkStatus();
  }

  static void DoubtEncoding(PlateFindings* f) {
    const bool coded = f->encoding() == ENCODING_SRGB || f->encoding() == ENCODING_BT709;
    if (!coded || f->greatest() <= 1) return;
    f->add_warning(absl::StrFormat("there are values up to %.3g, but %s ends at 1: is the plate linear light?",
                                   f->greatest(), EncodingName(f->encoding())));
  }

  // Patterns, or one frame's path.
  std::string plate_, background_;
  std::string output_, frames_, encoding_;
  // X,Y,WIDTH,HEIGHT or X,Y,WIDTH,HEIGHT@FRAME.
  std::string screen_box_;
  bool force_ = false;
};
REGISTER_COMMAND(New);

}  // namespace
}  // namespace selvage::client
