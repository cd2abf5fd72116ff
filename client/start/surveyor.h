// Has the daemon survey frames of a plate for `selvage new` and `selvage intake`.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "client/connection.h"
#include "client/frames.h"
#include "client/start/merged_survey.h"
#include "client/start/plate_files.h"

namespace selvage::client {

class Surveyor {
 public:
  Surveyor(Connection* connection, const std::string& stack_name, const PlateFiles& plate,
           const std::optional<Encoding>& encoding);

  // Surveys of frames over the whole range, all for one screen colour: of frames
  // that have a file, as far as files are seen from here.
  // Errors: INVALID_ARGUMENT the plate is not to be read, the box lies outside of
  // it (a usage error); NOT_FOUND no screen.
  absl::StatusOr<std::vector<Surveyed>> SurveyFrames(const std::optional<SampleBox>& box);

  // Of one frame's file by itself: no other frame's size or absence matters. From any thread.
  // Errors: NOT_FOUND there is no file; INVALID_ARGUMENT it cannot be read, and why;
  // PERMISSION_DENIED the daemon may read no files there.
  absl::StatusOr<PlateSurvey> SurveyAlone(int frame) const;

  // Whether the daemon can read these files, at the plate's first frame.
  absl::Status CheckBackground(const std::string& files);

 private:
  absl::StatusOr<PlateSurvey> Ask(const LookRequest& request) const;
  absl::StatusOr<Surveyed> At(int frame, const SurveyPlate& survey);
  absl::StatusOr<Surveyed> AtBox(const SampleBox& box);
  absl::Status Add(std::vector<int> frames, const Rgb& screen, std::vector<Surveyed>* surveys);

  Connection* connection_;
  const PlateFiles& plate_;
  LookRequest request_;
};

}  // namespace selvage::client
