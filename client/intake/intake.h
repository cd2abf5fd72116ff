// What a plate is as it came, and which of its frames to look at. Pure: no files, no daemon.
#pragma once

#include <string>
#include <vector>

#include "client/frames.h"
#include "client/start/plate_files.h"
#include "proto/intake.pb.h"
#include "proto/ops/internal.pb.h"

namespace selvage::client {

// One frame as it was found.
struct IntakeFrame {
  enum State { kRead, kMissing, kUnreadable } state = kMissing;
  // "" where there is none.
  std::string file;
  // As PictureTypeOf; "" where the file is not seen from here.
  std::string type;
  // Why it cannot be read.
  std::string trouble;
  // What was measured, without what is for `selvage new` only.
  PlateSurvey survey;
};

struct Intake {
  // As in Plate.files.
  std::string files;
  Frames frames;
  // One a frame, in order.
  std::vector<IntakeFrame> frame;
  std::vector<OtherSpelling> spellings;
};

// Leaves what intake needs: a shot may have 100,000 of them.
void KeepRecording(PlateSurvey* survey);

// What is found, by frame; frames side by side with the same fault are one finding.
PlateIntake ReportOf(const Intake& intake);

// One page for people: what the plate is, then the findings; those that say the same of
// several ranges of frames are one line.
std::string InWords(const Intake& intake, const PlateIntake& report);

}  // namespace selvage::client
