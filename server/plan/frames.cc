#include "server/plan/frames.h"

namespace selvage::plan {
namespace {

int32_t Clamped(int64_t frame) {
  return static_cast<int32_t>(
      std::clamp<int64_t>(frame, std::numeric_limits<int32_t>::min(), std::numeric_limits<int32_t>::max()));
}

}  // namespace

Frames Frames::Moved(int64_t first_by, int64_t last_by) const {
  // Without an end stays without an end.
  const bool begins = first != std::numeric_limits<int32_t>::min(), ends = last != std::numeric_limits<int32_t>::max();
  return {begins ? Clamped(first + first_by) : first, ends ? Clamped(last + last_by) : last};
}

void FrameSet::Add(Frames range) {
  if (range.empty()) return;
  if (ranges_.empty() || int64_t{range.first} > int64_t{ranges_.back().last} + 1) {
    before_.push_back(size());
    ranges_.push_back(range);
  } else if (range.first >= ranges_.back().first) {
    ranges_.back().last = std::max(ranges_.back().last, range.last);
  } else {
    FrameSet one;
    one.Add(range);
    Add(one);
  }
}

void FrameSet::Add(const FrameSet& other) {
  // Most users of a pass want the same frames.
  if (other.empty() || other == *this) return;
  if (empty()) {
    *this = other;
    return;
  }
  FrameSet both;
  size_t a = 0, b = 0;
  while (a < ranges_.size() || b < other.ranges_.size()) {
    const bool mine = b == other.ranges_.size() || (a < ranges_.size() && ranges_[a].first <= other.ranges_[b].first);
    both.Add(mine ? ranges_[a++] : other.ranges_[b++]);
  }
  *this = std::move(both);
}

FrameSet FrameSet::Intersect(Frames range) const {
  FrameSet out;
  for (const Frames& r : ranges_) out.Add(r.Intersect(range));
  return out;
}

FrameSet FrameSet::Moved(int64_t first_by, int64_t last_by) const {
  FrameSet out;
  for (const Frames& r : ranges_) out.Add(r.Moved(first_by, last_by));
  return out;
}

int64_t FrameSet::size() const { return ranges_.empty() ? 0 : before_.back() + ranges_.back().size(); }

size_t FrameSet::RangeAt(int32_t frame) const {
  const auto next = std::upper_bound(ranges_.begin(), ranges_.end(), frame,
                                     [](int32_t f, const Frames& range) { return f < range.first; });
  return static_cast<size_t>(next - ranges_.begin()) - 1;
}

int64_t FrameSet::PositionOf(int32_t frame) const {
  const size_t i = RangeAt(frame);
  return before_[i] + frame - ranges_[i].first;
}

int32_t FrameSet::operator[](int64_t position) const {
  const auto next = std::upper_bound(before_.begin(), before_.end(), position);
  const size_t i = static_cast<size_t>(next - before_.begin()) - 1;
  return static_cast<int32_t>(ranges_[i].first + (position - before_[i]));
}

FrameMap FrameMap::At(int32_t frame) {
  FrameMap map;
  map.moves_ = true;
  map.at_ = frame;
  return map;
}

FrameMap FrameMap::Later(int32_t by, Frames where, std::vector<int32_t> holes) {
  FrameMap map;
  map.moves_ = true;
  map.by_ = by;
  map.where_ = where;
  if (!holes.empty()) map.holes_ = std::make_shared<const std::vector<int32_t>>(std::move(holes));
  return map;
}

std::optional<int32_t> FrameMap::operator()(int32_t frame) const {
  if (at_) return at_;
  if (!where_.Contains(frame)) return std::nullopt;
  if (holes_ && std::binary_search(holes_->begin(), holes_->end(), frame)) return std::nullopt;
  return frame + by_;
}

FrameSet FrameMap::Of(const FrameSet& frames) const {
  FrameSet out;
  if (at_) {
    if (!frames.empty()) out.Add(Frames{*at_, *at_});
    return out;
  }
  for (const Frames& whole : frames.ranges()) {
    Frames rest = whole.Intersect(where_);
    if (holes_) {
      for (auto hole = std::lower_bound(holes_->begin(), holes_->end(), rest.first);
           hole != holes_->end() && *hole <= rest.last; ++hole) {
        out.Add(Frames{rest.first, *hole - 1}.Moved(by_, by_));
        rest.first = *hole + 1;
      }
    }
    if (!rest.empty()) out.Add(rest.Moved(by_, by_));
  }
  return out;
}

FrameSet FrameMap::Reached(const FrameSet& from) const {
  FrameSet out;
  for (const Frames& range : from.ranges()) {
    Frames all = range;
    // The way ends at a hole, or one step beyond where anything is read.
    if (by_ < 0) {
      int64_t end = int64_t{where_.first} + by_;
      if (holes_) {
        const auto next = std::upper_bound(holes_->begin(), holes_->end(), range.first);
        if (next != holes_->begin()) end = std::max<int64_t>(end, *std::prev(next));
      }
      all.first = std::min(range.first, Clamped(end));
    } else {
      int64_t end = int64_t{where_.last} + by_;
      if (holes_) {
        const auto next = std::lower_bound(holes_->begin(), holes_->end(), range.last);
        if (next != holes_->end()) end = std::min<int64_t>(end, *next);
      }
      all.last = std::max(range.last, Clamped(end));
    }
    FrameSet one(all);
    out.Add(one);
  }
  return out;
}

}  // namespace selvage::plan
