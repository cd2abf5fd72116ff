// Sets of frames as ranges, so that a hundred thousand frames cost no more than one,
// and at which frames an input is read for them.
#pragma once

#include <algorithm>
#include <cstdint>
#include <limits>
#include <memory>
#include <optional>
#include <vector>

namespace selvage::plan {

// Inclusive.
struct Frames {
  int32_t first = std::numeric_limits<int32_t>::min(), last = std::numeric_limits<int32_t>::max();
  bool Contains(int64_t frame) const { return frame >= first && frame <= last; }
  bool empty() const { return first > last; }
  bool all() const {
    return first == std::numeric_limits<int32_t>::min() && last == std::numeric_limits<int32_t>::max();
  }
  int64_t size() const { return empty() ? 0 : int64_t{last} - first + 1; }
  Frames Intersect(const Frames& o) const { return {std::max(first, o.first), std::min(last, o.last)}; }
  // Both ends moved, as far as 32 bits go.
  Frames Moved(int64_t first_by, int64_t last_by) const;
  bool operator==(const Frames&) const = default;
};

// Ranges in ascending order with a gap between each two.
class FrameSet {
 public:
  FrameSet() = default;
  FrameSet(Frames range) { Add(range); }

  void Add(Frames range);
  void Add(const FrameSet& other);
  FrameSet Intersect(Frames range) const;
  // Each range moved at both ends: by -2, 2 also the two frames before and after.
  FrameSet Moved(int64_t first_by, int64_t last_by) const;

  bool empty() const { return ranges_.empty(); }
  int64_t size() const;
  const std::vector<Frames>& ranges() const { return ranges_; }
  // The frame at a position, counted from 0, and the way back. REQUIRES: it is there.
  int32_t operator[](int64_t position) const;
  int64_t PositionOf(int32_t frame) const;
  bool operator==(const FrameSet&) const = default;

 private:
  size_t RangeAt(int32_t frame) const;

  std::vector<Frames> ranges_;
  // Of each range, how many frames lie before it.
  std::vector<int64_t> before_;
};

// At which frame an input is read for a frame of the task, if at all.
class FrameMap {
 public:
  // At the same frame.
  FrameMap() = default;
  // At one frame for all.
  static FrameMap At(int32_t frame);
  // So many frames later, where `where` has the task's frame and `holes` (ascending) has not.
  static FrameMap Later(int32_t by, Frames where = {}, std::vector<int32_t> holes = {});

  // Whether it is any other than the same frame.
  explicit operator bool() const { return moves_; }
  std::optional<int32_t> operator()(int32_t frame) const;
  // All that are read for some frames.
  FrameSet Of(const FrameSet& frames) const;
  // These frames and all that are reached from them step by step. REQUIRES: one frame
  // earlier or later.
  FrameSet Reached(const FrameSet& from) const;

 private:
  bool moves_ = false;
  std::optional<int32_t> at_;
  int32_t by_ = 0;
  Frames where_;
  // Shared: a map is copied with its segment.
  std::shared_ptr<const std::vector<int32_t>> holes_;
};

}  // namespace selvage::plan
