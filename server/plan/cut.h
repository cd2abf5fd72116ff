// A stack cut into segments, still without frames: which steps run together,
// what they read, and at which frames they can be asked for.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "proto/frame_pattern.h"
#include "server/plan/follow.h"
#include "server/plan/frames.h"
#include "server/plan/plan.h"

namespace selvage::plan {

// What an input comes from.
struct Source {
  enum Type : uint8_t { kNone, kPlate, kMask, kSegment };
  Type type = kNone;
  int index = -1;
  std::string name;
};

struct SideInput {
  int step = 0;
  std::string port;
  Source source;
  // Where it is not read at the frame of the task (a measurement is read at one frame
  // for the whole shot).
  FrameMap at;
  // Read over the segment's window, as the main input is.
  bool windowed = false;
  // Where `source` is the motion of a picture, from the task's frame to another of
  // the window or back: which picture, and how many frames away.
  Source moves = {};
  int offset = 0;
  // The port as result keys call it, where that is another name.
  std::string keyed_port = {};
};

struct Segment {
  // "core", "deliver comp", "look".
  std::string pass;
  // Invalidations by the name of the pass reach it.
  bool heeds_epochs = false;
  // Position in the pass, measurements included.
  uint32_t number = 0;
  uint32_t first_step = 0;
  // As written: not resolved yet. None where `follow` makes them.
  std::vector<Step> steps;
  FollowPart follow;
  Source main;
  // Frames before and after at which the main input and windowed sides are read too.
  int window = 0;
  std::vector<SideInput> sides;
  Pass::Keep keep = Pass::AUTO;
  // Of a deliverable: the plate whose files say what is written beside the pixels.
  int metadata_plate = -1;
  // Where real frames are (a held frame is none).
  Frames real;
  // Where all that is read over the window is real: there it ends.
  Frames reach;
  // Where it can be asked for at all.
  Frames available;
};

struct StackCut {
  // Inputs before their users.
  std::vector<Segment> segments;
  // What each target is: a segment.
  std::vector<int> target_segment;
  // Faults of the targets themselves (a look at a pass that is not there).
  std::vector<StackError> errors;
};

// Passes that no target needs are left out. REQUIRES: Validate found nothing.
StackCut CutStack(const Stack& stack, const std::vector<Target>& targets);

// Frames that are needed of each segment, plate and mask (one that does not follow).
struct Demand {
  std::vector<FrameSet> segment, plate, mask;
};
// For one target a segment at each frame, as CutStack's `target_segment`.
Demand FindDemand(const Stack& stack, const std::vector<Target>& targets, const StackCut& cut);
// For these frames of each target instead of its own.
Demand FindDemand(const Stack& stack, const std::vector<FrameSet>& target_frames, const StackCut& cut);

// Frames of a plate that exist, as the stack says.
Frames PlateFrames(const Stack& stack, const Plate& plate);

}  // namespace selvage::plan
