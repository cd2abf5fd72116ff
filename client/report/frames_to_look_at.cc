#include "client/report/frames_to_look_at.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <optional>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace selvage::client {
namespace {

// How one figure is judged. `rise` and `ratio`: over the median.
struct Measure {
  Finding::Kind kind;
  std::optional<double> (*figure)(const MatteFigures&);
  double rise, ratio;
};

template <auto kGet>
std::optional<double> Figure(const MatteFigures& f) {
  return static_cast<double>((f.*kGet)());
}
template <auto kHas, auto kGet>
std::optional<double> Figure(const MatteFigures& f) {
  return (f.*kHas)() ? Figure<kGet>(f) : std::nullopt;
}
// What share of `whole` it is.
std::optional<double> Share(uint64_t part, uint64_t whole) {
  if (whole == 0) return std::nullopt;
  return static_cast<double>(part) / static_cast<double>(whole);
}
std::optional<double> SoftShare(const MatteFigures& f) { return Share(f.soft_pixels(), f.covered_pixels()); }
std::optional<double> HoleShare(const MatteFigures& f) { return Share(f.hole_pixels(), f.covered_pixels()); }
std::optional<double> SpeckShare(const MatteFigures& f) { return Share(f.speck_pixels(), f.pixels()); }
std::optional<double> SpillShare(const MatteFigures& f) {
  return f.has_spill_pixels() ? Share(f.spill_pixels(), f.covered_pixels()) : std::nullopt;
}
// Of the picture, what is covered by a matte that is soft in a good part of it;
// what is covered solidly is no veil.
std::optional<double> VeilShare(const MatteFigures& f) {
  const auto soft = Share(f.soft_pixels(), f.pixels());
  return soft && *soft >= 0.25 ? Share(f.covered_pixels(), f.pixels()) : std::nullopt;
}

// Rules of thumb, no source. Flicker and jump in alpha, spill in linear light.
constexpr double kSpread = 6;
using F = MatteFigures;
constexpr Measure kHoles = {Finding::HOLE, Figure<&F::hole_pixels>, 8, 2};
constexpr Measure kSpecks = {Finding::SPECK, Figure<&F::speck_pixels>, 8, 2};
constexpr Measure kSoftness = {Finding::SOFTNESS, SoftShare, 0.05, 1.5};
constexpr Measure kFlicker = {Finding::FLICKER, Figure<&F::has_flicker, &F::flicker>, 0.02, 2.5};
constexpr Measure kJump = {Finding::JUMP, Figure<&F::has_jump, &F::jump>, 0.04, 2.5};
constexpr Measure kSpill = {Finding::SPILL, Figure<&F::has_spill_pixels, &F::spill_pixels>, 32, 2};
constexpr Measure kEdgeSpill = {Finding::EDGE_SPILL, Figure<&F::has_edge_spill, &F::edge_spill>, 0.01, 2};
constexpr Measure kClipped = {Finding::CLIPPED, Figure<&F::has_clipped_pixels, &F::clipped_pixels>, 16, 2};
constexpr Measure kNegative = {Finding::NEGATIVE, Figure<&F::has_negative_pixels, &F::negative_pixels>, 16, 2};
// What is bad by itself, whatever the other frames are like: a bound on the median
// frame. Rules of thumb, no source.
struct Bound {
  Finding::Kind kind;
  std::optional<double> (*figure)(const MatteFigures&);
  double most;
  bool percent;
  // "91 %" or "0.051" comes before it.
  const char* words;
};
constexpr Bound kBounds[] = {
    {Finding::SOFTNESS, SoftShare, 0.5, true, "of the matte is soft: hardly anything is solid"},
    {Finding::VEIL, VeilShare, 0.9, true,
     "of the picture is covered, and much of that is soft: a veil lies over the bare screen"},
    {Finding::HOLE, HoleShare, 0.01, true, "of the matte is holes"},
    {Finding::SPECK, SpeckShare, 0.005, true, "of the picture is specks"},
    {Finding::SPILL, SpillShare, 0.25, true, "of what is covered has screen colour left"},
    {Finding::EDGE_SPILL, Figure<&F::has_edge_spill, &F::edge_spill>, 0.03, false,
     "of screen colour is left in the edge"},
};
// Where none may be, a single one counts.
constexpr double kAny = 1;

double Median(std::vector<double> v) {
  const auto middle = v.begin() + static_cast<ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), middle, v.end());
  if (v.size() % 2 == 1) return *middle;
  return 0.5 * (*middle + *std::max_element(v.begin(), middle));
}

// One measure over the shot.
struct Judged {
  std::vector<std::optional<double>> values;
  std::vector<bool> stands_out;
  double median = 0;
};

Judged Judge(const PassReport& report, const Measure& measure) {
  Judged judged;
  std::vector<double> measured;
  for (const PassReport::Frame& f : report.frame()) {
    judged.values.push_back(measure.figure(f.figures()));
    if (judged.values.back()) measured.push_back(*judged.values.back());
  }
  judged.stands_out.resize(judged.values.size());
  if (measured.empty()) return judged;
  const double median = judged.median = Median(measured);
  for (double& v : measured) v = std::abs(v - median);
  const double above = median + std::max(measure.rise, kSpread * 1.4826 * Median(measured));
  for (size_t i = 0; i < judged.values.size(); ++i) {
    const auto& v = judged.values[i];
    judged.stands_out[i] = v && *v >= above && *v >= measure.ratio * median;
  }
  return judged;
}

std::string Whole(double v) { return absl::StrFormat("%.0f", v); }

std::string Place(const MatteFigures::Part& part) {
  return absl::StrCat(", largest near x ", part.x() + static_cast<int>(part.width()) / 2, ", y ",
                      part.y() + static_cast<int>(part.height()) / 2);
}

// What there is much of, at the frame with the most.
std::string Why(Finding::Kind kind, double value, double median, bool many, const MatteFigures& figures,
                const GivenMattes& given) {
  const std::string most = many ? "up to " : "";
  const std::string px =
      absl::StrCat(most, Whole(value), " px", median >= 0.5 ? absl::StrCat(" (median ", Whole(median), ")") : "");
  const auto times = [&](const char* what) {
    return median >= 0.001 ? absl::StrFormat("%s %s%.1f times the shot's median", what, most, value / median)
                           : absl::StrFormat("%s %s%.3f, hardly any elsewhere", what, most, value);
  };
  const auto within = [](const char* what, const std::string& matte, const char* otherwise) {
    return matte.empty() ? std::string(otherwise) : absl::StrCat("not ", what, " inside `", matte, "`");
  };
  switch (kind) {
    case Finding::HOLE:
      return absl::StrCat(within("solid", given.core, "holes"), ": ", px, Place(figures.largest_hole()));
    case Finding::SPECK:
      return absl::StrCat(within("clear", given.garbage, "specks"), ": ", px, Place(figures.largest_speck()));
    case Finding::SOFTNESS:
      return absl::StrCat(most, Whole(100 * value), " % of the matte is soft (median ", Whole(100 * median), " %)");
    case Finding::FLICKER:
      return times("edge flicker");
    case Finding::JUMP:
      return times("the edge jumps between them,");
    case Finding::SPILL:
      return absl::StrCat("screen colour left in ", px);
    case Finding::EDGE_SPILL:
      return times("screen colour left in the edge,");
    case Finding::CLIPPED:
      return absl::StrCat("clipped: ", px);
    case Finding::NEGATIVE:
      return absl::StrCat("below 0: ", px);
    default:
      return "the matte is empty";
  }
}

class Finder {
 public:
  Finder(const PassReport& report, const GivenMattes& given) : report_(report), given_(given) {}

  std::vector<Finding> Find() {
    const std::vector<bool> empty = FindEmpty();
    FindWhereGiven(kHoles, given_.core);
    FindWhereGiven(kSpecks, given_.garbage);
    FindOutliers(kSoftness);
    FindJumps(empty, FindOutliers(kFlicker));
    FindOutliers(kEdgeSpill, FindOutliers(kSpill));
    FindOutliers(kClipped);
    FindOutliers(kNegative);
    FindBadShot();
    std::stable_sort(found_.begin(), found_.end(),
                     [](const Finding& a, const Finding& b) { return a.first() < b.first(); });
    return std::move(found_);
  }

 private:
  void Add(Finding::Kind kind, int first, int last, const std::string& why) {
    Finding& finding = found_.emplace_back();
    finding.set_kind(kind);
    finding.set_first(first);
    finding.set_last(last);
    finding.set_why(why);
  }

  // One finding a run of frames; `before` frames before the first belong to it too.
  void AddRuns(Finding::Kind kind, const Judged& judged, const std::vector<bool>& told, int before) {
    for (size_t i = 0; i < told.size(); ++i) {
      if (!told[i]) continue;
      const size_t first = i;
      size_t most = i;
      for (; i + 1 < told.size() && told[i + 1]; ++i) {
        if (judged.values[i + 1] > judged.values[most]) most = i + 1;
      }
      Add(kind, FrameAt(first) - before, FrameAt(i),
          Why(kind, judged.values[most].value_or(0), judged.median, i > first, FiguresAt(most), given_));
    }
  }

  std::vector<bool> FindEmpty() {
    const Judged covered = Judge(report_, {Finding::EMPTY, Figure<&F::covered_pixels>, 0, 0});
    std::vector<bool> empty;
    for (const auto& v : covered.values) empty.push_back(*v == 0);
    AddRuns(Finding::EMPTY, covered, empty, 0);
    return empty;
  }

  // All that stand out, whether or not they are `known` and so not told.
  std::vector<bool> FindOutliers(const Measure& measure, const std::vector<bool>& known = {}) {
    const Judged judged = Judge(report_, measure);
    std::vector<bool> told = judged.stands_out;
    for (size_t i = 0; i < known.size(); ++i) told[i] = told[i] && !known[i];
    AddRuns(measure.kind, judged, told, 0);
    return judged.stands_out;
  }

  // A frame that flickers jumps on both sides, and so does an empty one.
  void FindJumps(const std::vector<bool>& empty, const std::vector<bool>& flickers) {
    const Judged judged = Judge(report_, kJump);
    const auto known = [&](size_t i) { return empty[i] || flickers[i]; };
    std::vector<bool> told = judged.stands_out;
    for (size_t i = 0; i < told.size(); ++i) told[i] = told[i] && !known(i) && !(i > 0 && known(i - 1));
    AddRuns(Finding::JUMP, judged, told, 1);
  }

  // What no median of its own can excuse.
  void FindBadShot() {
    for (const Bound& bound : kBounds) {
      const double median = Judge(report_, {bound.kind, bound.figure, 0, 0}).median;
      if (median <= bound.most || report_.frame_size() == 0) continue;
      const std::string figure = bound.percent ? Whole(100 * median) + " %" : absl::StrFormat("%.3f", median);
      Add(bound.kind, FrameAt(0), FrameAt(report_.frame_size() - 1),
          absl::StrCat("in the whole shot, ", figure, " ", bound.words));
    }
  }

  // Where a matte was given in which there may be none, what most frames have is
  // told too.
  void FindWhereGiven(Measure measure, const std::string& name) {
    if (name.empty()) {
      FindOutliers(measure);
      return;
    }
    measure.rise = kAny;
    const double median = Judge(report_, measure).median;
    if (median >= kAny) {
      Add(measure.kind, FrameAt(0), FrameAt(report_.frame_size() - 1),
          absl::StrCat(measure.kind == Finding::HOLE ? "not solid" : "not clear", " inside `", name,
                       "`: ", Whole(median), " px in the median frame"));
    }
    FindOutliers(measure);
  }

  int FrameAt(size_t i) const { return report_.frame(static_cast<int>(i)).frame(); }
  const MatteFigures& FiguresAt(size_t i) const { return report_.frame(static_cast<int>(i)).figures(); }

  const PassReport& report_;
  const GivenMattes& given_;
  std::vector<Finding> found_;
};

}  // namespace

std::vector<Finding> FramesToLookAt(const PassReport& report, const GivenMattes& given) {
  return Finder(report, given).Find();
}

std::string InWords(const Finding& finding) {
  return absl::StrCat(finding.first(), finding.last() > finding.first() ? absl::StrCat("-", finding.last()) : "", ": ",
                      finding.why());
}

}  // namespace selvage::client
