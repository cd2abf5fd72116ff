// `selvage intake`: is the footage that came whole, and is it what it is said to be?
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <optional>

#include "absl/strings/str_cat.h"
#include "client/ask_many.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/encoding.h"
#include "client/exit_code.h"
#include "client/intake/intake.h"
#include "client/intake/picture_header.h"
#include "client/json.h"
#include "client/start/surveyor.h"
#include "client/write_file.h"
#include "proto/frame_pattern.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// As many as a stack may have.
constexpr int64_t kMostIntakeFrames = 100'000;

// The daemon's reason without what the page says anyway: which frame of which plate it is.
std::string TroubleOf(const absl::Status& status, int frame) {
  std::string text(status.message());
  const std::string where = absl::StrCat("frame ", frame, ": ");
  if (const size_t at = text.rfind(where); at != std::string::npos) text.erase(0, at + where.size());
  if (const std::string step = "step 1 (survey_plate): "; text.starts_with(step)) text.erase(0, step.size());
  text.erase(text.find_last_not_of(" .\n") + 1);
  return text;
}

class IntakeCommand final : public Command {
 public:
  CommandHelp help() const override {
    return {
        "intake", Group::kStack, "Look through footage that has just come: what is wrong with which frames",
        "Every frame is read and measured by the daemon's workers. Told of are frames that are missing, double\n"
        "(plate.7.exr beside plate.0007.exr), not to be read or cut short, frozen (exactly the frame before), torn\n"
        "(a part is exactly the frame before), of another size, type or encoding than the first one, clipped or\n"
        "crushed (a hundredth of the picture at a channel's end), with a codec's blocks, with values that do not\n"
        "look like the encoding, with samples that are infinite or no number, and flashes. What is found is no\n"
        "failure: the exit code is 0. Figures are kept like any result: the same plate again is measured at once.\n"
        "  selvage intake plates/apiary_010.%04d.exr\n"
        "  selvage intake plates/apiary_010.1001.dpx --encoding printing_density -o apiary_010.intake.txt"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("PATTERN", pattern_, "Path with %04d for the frame number, or of one frame")->required();
    app->add_option("--frames", frames_,
                    "Only these, as in 1001-1048; default: all. Needed where only the daemon sees the files")
        ->type_name("A-B");
    app->add_option("--encoding", encoding_,
                    "What the sender says it is: linear, srgb, bt709, printing_density or acescct; default: as the "
                    "files' headers say, else linear for EXR, printing density for DPX, srgb for the rest");
    app->add_option("--output,-o", output_, "Write the page (or the JSON) to this file")->type_name("FILE");
    app->add_flag("--force", force_, "Replace that file if it is there");
  }

  absl::Status Run(const Globals& globals) override {
    std::error_code error;
    if (!output_.empty() && !force_ && std::filesystem::exists(output_, error)) {
      return absl::InvalidArgumentError(absl::StrCat(output_, " is there already; --force replaces it"));
    }
    std::optional<Frames> wanted;
    if (!frames_.empty()) {
      ASSIGN_OR_RETURN(wanted, ParseFrames(frames_));
    }
    std::optional<Encoding> encoding;
    if (!encoding_.empty()) {
      ASSIGN_OR_RETURN(encoding, ParseEncoding(encoding_));
    }
    ASSIGN_OR_RETURN(const PlateFiles plate, FindPlateFiles(pattern_, wanted, ""));
    if (int64_t{plate.frames.last} - plate.frames.first >= kMostIntakeFrames) {
      return UsageError(absl::StrCat("frames ", plate.frames.first, "-", plate.frames.last, " are more than ",
                                     kMostIntakeFrames, "; give fewer with --frames"));
    }
    Connection connection(globals);
    ASSIGN_OR_RETURN(const Intake intake, Take(connection, plate, encoding));
    const PlateIntake report = ReportOf(intake);
    const std::string text = globals.json ? Json(report) : InWords(intake, report);
    if (output_.empty()) {
      std::fputs(text.c_str(), stdout);
      return absl::OkStatus();
    }
    RETURN_IF_ERROR(WriteFileAtomically(output_, text));
    std::fprintf(stderr, "%s is written\n", output_.c_str());
    return absl::OkStatus();
  }

 private:
  static absl::StatusOr<Intake> Take(Connection& connection, const PlateFiles& plate,
                                     const std::optional<Encoding>& encoding) {
    Intake intake;
    intake.files = plate.pattern;
    intake.frames = plate.frames;
    intake.frame.resize(static_cast<size_t>(int64_t{plate.frames.last} - plate.frames.first + 1));
    intake.spellings = FindOtherSpellings(plate);
    ASSIGN_OR_RETURN(const FilePattern pattern, ParsePattern(plate.pattern));
    const Surveyor surveyor(&connection, "intake", plate, encoding);
    std::vector<int> there = plate.present;
    if (there.empty()) {
      for (int64_t f = plate.frames.first; f <= plate.frames.last; ++f) there.push_back(static_cast<int>(f));
    }
    RETURN_IF_ERROR(AskMany(
        connection, there.size(),
        [&](size_t i) -> absl::Status {
          IntakeFrame& frame = intake.frame[static_cast<size_t>(int64_t{there[i]} - plate.frames.first)];
          const std::string file = pattern.At(there[i]);
          auto survey = surveyor.SurveyAlone(there[i]);
          if (absl::IsNotFound(survey.status())) return absl::OkStatus();
          frame.file = file;
          if (survey.ok()) {
            frame.state = IntakeFrame::kRead;
            frame.survey = *std::move(survey);
            KeepRecording(&frame.survey);
            if (plate.still || !plate.present.empty()) frame.type = PictureTypeOf(file);
            return absl::OkStatus();
          }
          // The same for all of them.
          if (absl::IsPermissionDenied(survey.status())) return absl::InvalidArgumentError(survey.status().message());
          if (!absl::IsInvalidArgument(survey.status())) return survey.status();
          frame.state = IntakeFrame::kUnreadable;
          frame.trouble = TroubleOf(survey.status(), there[i]);
          return absl::OkStatus();
        },
        "frames measured"));
    return intake;
  }

  std::string pattern_, frames_, encoding_, output_;
  bool force_ = false;
};
REGISTER_COMMAND(IntakeCommand);

}  // namespace
}  // namespace selvage::client
