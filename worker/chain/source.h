// What a chain reads its pictures from.
#pragma once

#include <string>
#include <vector>

#include "absl/status/status.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// A picture that can be read in pieces.
class Source {
 public:
  virtual ~Source() = default;
  virtual Kind kind() const = 0;
  // Where it has pixels of its own.
  virtual Rect window() const = 0;
  // Says that pixels of `rects` (inside the window) will be read next, and no
  // others before the next call: the time to fetch them all in one go.
  virtual absl::Status Prefetch(const std::vector<Rect>& rects) {
    (void)rects;
    return absl::OkStatus();
  }
  // Appends bytes that say all that Read would give over `rect` and that the
  // task's tile recipe does not (a plate is in that one as a whole).
  virtual absl::Status Describe(const Rect& rect, std::string* out) = 0;
  // Sets out->kind and planes over exactly `rect`, which lies inside the window
  // and is not empty. The same bits for a pixel whatever the rectangle.
  virtual absl::Status Read(const Rect& rect, Picture* out) = 0;
};

}  // namespace selvage::worker
