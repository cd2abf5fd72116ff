// What several surveys of a plate say together. Pure: no files, no daemon.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "client/frames.h"
#include "proto/ops/internal.pb.h"

namespace selvage::client {

struct Surveyed {
  int frame = 0;
  PlateSurvey survey;
};

// `count` frames (or all, if there are fewer), evenly from the first to the last.
std::vector<int> SpreadFrames(const Frames& frames, int count);
// The frames halfway between neighbours of `sorted`.
std::vector<int> FramesBetween(const std::vector<int>& sorted);

using Rgb = std::array<float, 3>;
Rgb ScreenOf(const PlateSurvey& survey);
// Same hue, as screens go.
bool SameHue(const Rgb& a, const Rgb& b);

// The hue that covers the most of the surveyed frames, and the median colour of
// those that show it.
// Errors: NOT_FOUND no frame shows a screen.
absl::StatusOr<Rgb> AgreedScreen(const std::vector<Surveyed>& surveys);

// Corners in order, in pixels.
using Outline = std::vector<std::pair<int, int>>;
// The convex hull of the cells that are not bare screen in any survey, with a
// margin, and beyond the picture where they touch its edge. Small marks on the
// screen that never change are left out. Empty where all is screen.
// REQUIRES: surveys of one size.
Outline HullOfForeground(const std::vector<Surveyed>& surveys, bool margin);
bool Contains(const Outline& outline, const Outline& inner);
// Share of the picture within the outline.
double ShareWithin(const Outline& outline, const PlateSurvey& survey);

// A block of cells that is bare in every survey and as even as any; in one
// survey, with its frame, if no block is bare in all. nullopt if there is none at all.
std::optional<SampleBox> FindSampleBox(const std::vector<Surveyed>& surveys);

// All of the above, of surveys that all know the screen's colour. `given` is the
// artist's box; its survey is that of its frame.
// Errors: NOT_FOUND no screen, or no box of bare screen; INVALID_ARGUMENT surveys
// of different sizes.
absl::StatusOr<PlateFindings> MergeSurveys(const Frames& frames, const std::vector<Surveyed>& surveys,
                                           const std::optional<SampleBox>& given);

}  // namespace selvage::client
