#include "client/start/surveyor.h"

#include <algorithm>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/exit_code.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Frames of the first look; then, while what moves leaves the mask, those between.
constexpr int kFirstFrames = 5, kMostRounds = 3;

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

}  // namespace

Surveyor::Surveyor(Connection* connection, const std::string& stack_name, const PlateFiles& plate,
                   const std::optional<Encoding>& encoding)
    : connection_(connection), plate_(plate) {
  Stack& stack = *request_.mutable_stack();
  stack.set_name(stack_name);
  stack.mutable_frames()->set_first(plate.frames.first);
  stack.mutable_frames()->set_last(plate.frames.last);
  Plate& p = *stack.add_plate();
  p.set_name("plate");
  p.set_files(plate.pattern);
  if (!plate.missing.empty()) p.set_missing(Plate::HOLD);
  if (encoding) p.set_encoding(*encoding);
  request_.set_pass("plate");
}

absl::StatusOr<PlateSurvey> Surveyor::Ask(const LookRequest& request) const {
  const auto open = [&](grpc::ClientContext* context, uint64_t) { return connection_->jobs().Look(context, request); };
  ASSIGN_OR_RETURN(const ReceivedFile file, ReceiveFile(*connection_, open));
  std::vector<std::string> faults;
  for (const StackError& e : file.errors) faults.push_back(e.message());
  if (!faults.empty()) return absl::InvalidArgumentError(absl::StrJoin(faults, "\n"));
  PlateSurvey survey;
  if (!survey.ParseFromString(file.bytes)) return absl::InternalError("the daemon's survey cannot be read");
  return survey;
}

absl::StatusOr<Surveyed> Surveyor::At(int frame, const SurveyPlate& survey) {
  request_.set_frame(frame);
  *request_.mutable_survey() = survey;
  Surveyed out{frame, {}};
  ASSIGN_OR_RETURN(out.survey, Ask(request_));
  return out;
}

absl::StatusOr<PlateSurvey> Surveyor::SurveyAlone(int frame) const {
  LookRequest request = request_;
  request.mutable_stack()->mutable_frames()->set_first(frame);
  request.mutable_stack()->mutable_frames()->set_last(frame);
  request.mutable_stack()->mutable_plate(0)->clear_missing();
  request.set_frame(frame);
  *request.mutable_survey() = SurveyPlate();
  auto survey = Ask(request);
  const absl::Status& status = survey.status();
  // A file that is copied while it is read keeps changing.
  const bool of_the_file =
      absl::IsInvalidArgument(status) || absl::IsAborted(status) || absl::IsFailedPrecondition(status);
  if (survey.ok() || !of_the_file) return survey;
  if (absl::StrContains(status.message(), "there is no file")) return absl::NotFoundError(status.message());
  if (absl::StrContains(status.message(), "outside the folders")) return absl::PermissionDeniedError(status.message());
  return absl::InvalidArgumentError(status.message());
}

absl::StatusOr<Surveyed> Surveyor::AtBox(const SampleBox& box) {
  SurveyPlate survey;
  *survey.mutable_box() = box;
  const int frame = box.has_frame() ? box.frame() : Existing({plate_.frames.first}, plate_)[0];
  auto at_box = At(frame, survey);
  if (at_box.ok()) return at_box;
  // How large the picture is, is known only after a look at it.
  const auto whole = At(frame, {});
  if (!whole.ok()) return at_box;
  const PlateSurvey& p = whole->survey;
  const bool inside = box.x() >= 0 && box.y() >= 0 && int64_t{box.x()} + box.width() <= p.width() &&
                      int64_t{box.y()} + box.height() <= p.height();
  const std::string given = absl::StrCat("--screen-box ", box.x(), ",", box.y(), ",", box.width(), ",", box.height());
  // The plate is fine, so it is the box that is not.
  if (inside) return UsageError(absl::StrCat(given, ": ", at_box.status().message()));
  return UsageError(absl::StrCat(given, " reaches beyond the picture, which is ", p.width(), " x ", p.height(),
                                 "; it is X,Y,WIDTH,HEIGHT in pixels from the top left"));
}

absl::Status Surveyor::Add(std::vector<int> frames, const Rgb& screen, std::vector<Surveyed>* surveys) {
  for (int frame : Existing(std::move(frames), plate_)) {
    const bool there =
        std::any_of(surveys->begin(), surveys->end(), [&](const Surveyed& s) { return s.frame == frame; });
    if (there) continue;
    ASSIGN_OR_RETURN(Surveyed found, At(frame, ForColor(screen)));
    Insert(std::move(found), surveys);
  }
  return absl::OkStatus();
}

absl::StatusOr<std::vector<Surveyed>> Surveyor::SurveyFrames(const std::optional<SampleBox>& box) {
  const std::vector<int> first = Existing(SpreadFrames(plate_.frames, kFirstFrames), plate_);
  std::vector<Surveyed> surveys;
  Rgb screen;
  if (box) {
    ASSIGN_OR_RETURN(Surveyed at_box, AtBox(*box));
    screen = ScreenOf(at_box.survey);
    surveys.push_back(std::move(at_box));
  } else {
    for (int frame : first) {
      ASSIGN_OR_RETURN(Surveyed found, At(frame, {}));
      surveys.push_back(std::move(found));
    }
    ASSIGN_OR_RETURN(screen, AgreedScreen(surveys));
    // A frame that took something else for the screen is asked again.
    std::erase_if(surveys, [&](const Surveyed& s) { return !SameHue(ScreenOf(s.survey), screen); });
  }
  RETURN_IF_ERROR(Add(first, screen, &surveys));
  // Until what the frames between show stays within the mask that is there.
  for (int round = 0; round < kMostRounds; ++round) {
    const Outline mask = HullOfForeground(surveys, true);
    std::vector<int> known;
    for (const Surveyed& s : surveys) known.push_back(s.frame);
    const std::vector<int> between = FramesBetween(known);
    if (between.empty()) break;
    RETURN_IF_ERROR(Add(between, screen, &surveys));
    if (Contains(mask, HullOfForeground(surveys, false))) break;
  }
  return surveys;
}

absl::Status Surveyor::CheckBackground(const std::string& files) {
  LookRequest request = request_;
  request.mutable_stack()->mutable_plate(0)->set_files(files);
  request.mutable_stack()->mutable_plate(0)->set_missing(Plate::HOLD);
  request.mutable_stack()->mutable_plate(0)->clear_encoding();
  std::swap(request, request_);
  const absl::Status status = At(plate_.frames.first, {}).status();
  std::swap(request, request_);
  return status.ok() ? status : Annotate("--background ", files)(status);
}

}  // namespace selvage::client
