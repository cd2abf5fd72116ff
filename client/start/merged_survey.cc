#include "client/start/merged_survey.h"

#include <algorithm>
#include <cmath>
#include <iterator>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Distance in (r, g) / (r + g + b) within which hues are one screen's.
constexpr double kSameHue = 0.08;
// A frame with less screen than this, of little saturation, tells nothing.
constexpr double kLeastShare = 0.02, kLeastSaturation = 0.1;
// A cell with less bare screen than this has something in it: codecs leave blocks of
// noise that are taken for foreground. A sample box is as bare as this where it is
// measured, and elsewhere.
constexpr double kOccupied = 0.6, kBare = 0.97, kMostlyBare = 0.8;
// What a sample box may be, where nothing is as bare: codecs and shine leave specks.
constexpr double kFairlyBare[] = {kMostlyBare, 0.5};
// Marks: at most this share of the picture's cells together, and hardly changing.
constexpr double kMark = 0.006, kStill = 0.2;
// Margin of the garbage mask, and how far it goes beyond the picture's edge, in cells.
constexpr double kMargin = 1.5;
constexpr int kBeyond = 3;
// Sides of a sample box in pixels: noise wants 48 at least; more than 160 gains nothing.
constexpr int kLargestBox = 160, kEnoughBox = 48;
// More than this against the evenest screen is no noise.
constexpr double kRough = 2;
// A screen lies in whole cells; leaves and grass of its hue are scattered. With less than
// this share of what is bare in cells that are bare all over, it may be no screen.
constexpr double kWholeCell = 0.9, kInWholeCells = 0.5;
// Chroma as smooth as this against luma was halved when recording; see PlateSurvey.
constexpr double kChromaHalved = 0.75;
// Columns or rows of cells at a side of the picture that never show the screen: it has ended.
constexpr int kBeyondScreen = 2;
// A mask around more than this of the picture is no use.
constexpr double kWorthMasking = 0.95;

constexpr char kGiveABox[] = "; show where bare screen is with --screen-box X,Y,WIDTH,HEIGHT";

float Median(std::vector<float> values) {
  const auto middle = values.begin() + static_cast<ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

bool ShowsScreen(const PlateSurvey& s) {
  return s.screen_found() && s.bare_share() >= kLeastShare && s.saturation() >= kLeastSaturation;
}

bool SameGrid(const PlateSurvey& a, const PlateSurvey& b) {
  return a.x() == b.x() && a.y() == b.y() && a.width() == b.width() && a.height() == b.height();
}

// Over all surveys, cell by cell.
struct CellRange {
  float least_bare = 1, most_bare = 0;
};
std::vector<CellRange> RangesOf(const std::vector<Surveyed>& surveys) {
  std::vector<CellRange> cells(static_cast<size_t>(surveys[0].survey.columns()) * surveys[0].survey.rows());
  for (const Surveyed& s : surveys) {
    for (size_t i = 0; i < cells.size(); ++i) {
      const float bare = i < static_cast<size_t>(s.survey.bare_size()) ? s.survey.bare(static_cast<int>(i)) : 0;
      cells[i].least_bare = std::min(cells[i].least_bare, bare);
      cells[i].most_bare = std::max(cells[i].most_bare, bare);
    }
  }
  return cells;
}

// Cells of parts (8 neighbours) that are foreground: marks are left out.
std::vector<size_t> ForegroundCells(const std::vector<Surveyed>& surveys) {
  const int columns = static_cast<int>(surveys[0].survey.columns()), rows = static_cast<int>(surveys[0].survey.rows());
  const std::vector<CellRange> cells = RangesOf(surveys);
  std::vector<bool> seen(cells.size());
  std::vector<size_t> foreground;
  for (size_t start = 0; start < cells.size(); ++start) {
    if (seen[start] || cells[start].least_bare >= kOccupied) continue;
    std::vector<size_t> part = {start};
    seen[start] = true;
    bool at_edge = false, still = true;
    for (size_t i = 0; i < part.size(); ++i) {
      const int x = static_cast<int>(part[i]) % columns, y = static_cast<int>(part[i]) / columns;
      at_edge |= x == 0 || y == 0 || x == columns - 1 || y == rows - 1;
      still &= cells[part[i]].most_bare - cells[part[i]].least_bare < kStill;
      for (int v = std::max(0, y - 1); v <= std::min(rows - 1, y + 1); ++v) {
        for (int u = std::max(0, x - 1); u <= std::min(columns - 1, x + 1); ++u) {
          const size_t next = static_cast<size_t>(v) * columns + u;
          if (seen[next] || cells[next].least_bare >= kOccupied) continue;
          seen[next] = true;
          part.push_back(next);
        }
      }
    }
    const bool small = static_cast<double>(part.size()) <= std::max(2.0, kMark * static_cast<double>(cells.size()));
    if (small && still && !at_edge) continue;
    foreground.insert(foreground.end(), part.begin(), part.end());
  }
  return foreground;
}

// Source: Andrew 1979, monotone chain. Clockwise in a picture (y downward).
Outline ConvexHull(Outline points) {
  std::sort(points.begin(), points.end());
  points.erase(std::unique(points.begin(), points.end()), points.end());
  if (points.size() < 3) return points;
  const auto turn = [](const std::pair<int, int>& o, const std::pair<int, int>& a, const std::pair<int, int>& b) {
    return (int64_t{a.first} - o.first) * (int64_t{b.second} - o.second) -
           (int64_t{a.second} - o.second) * (int64_t{b.first} - o.first);
  };
  Outline hull;
  for (int side = 0; side < 2; ++side) {
    const size_t base = hull.size();
    for (const auto& p : points) {
      while (hull.size() >= base + 2 && turn(hull[hull.size() - 2], hull.back(), p) <= 0) hull.pop_back();
      hull.push_back(p);
    }
    hull.pop_back();
    std::reverse(points.begin(), points.end());
  }
  return hull;
}

bool Inside(const Outline& outline, double x, double y) {
  for (size_t i = 0; i < outline.size(); ++i) {
    const auto& [ax, ay] = outline[i];
    const auto& [bx, by] = outline[(i + 1) % outline.size()];
    if ((bx - ax) * (y - ay) - (by - ay) * (x - ax) < 0) return false;
  }
  return outline.size() >= 3;
}

std::string PathOf(const Outline& outline) {
  std::string path;
  for (const auto& [x, y] : outline) absl::StrAppend(&path, path.empty() ? "M " : " L ", x, " ", y);
  return path + " Z";
}

// How even a block of cells is: its greatest mean roughness over the surveys.
// nullopt where it isn't bare. The box is measured at the first of them.
std::optional<double> EvennessOf(const std::vector<const PlateSurvey*>& surveys, int column, int row, int wide,
                                 int high, double bare) {
  double worst = 0;
  for (const PlateSurvey* s : surveys) {
    double sum = 0;
    for (int y = row; y < row + high; ++y) {
      for (int x = column; x < column + wide; ++x) {
        const int cell = y * static_cast<int>(s->columns()) + x;
        if (cell >= s->bare_size() || s->bare(cell) < (s == surveys[0] ? bare : std::min(bare, kMostlyBare)))
          return std::nullopt;
        // Clipped: only if nothing better is found.
        sum += s->roughness(cell) < 0 ? 1 : s->roughness(cell);
      }
    }
    worst = std::max(worst, sum / (wide * high));
  }
  return worst;
}

std::optional<SampleBox> EvenestBox(const std::vector<const PlateSurvey*>& surveys, double bare = kBare) {
  const PlateSurvey& first = *surveys[0];
  const int side = static_cast<int>(first.cell_side());
  // Cells that the picture's edge doesn't cut off.
  const int columns = static_cast<int>(first.width()) / side, rows = static_cast<int>(first.height()) / side;
  // The largest that is enough, then down to one cell.
  const int largest = std::max(1, std::min({kLargestBox / side, columns, rows}));
  const int enough = std::min(largest, (kEnoughBox + side - 1) / side);
  for (int size = std::min(largest, enough + 1); size >= 1; --size) {
    std::optional<double> best;
    SampleBox box;
    for (int row = 0; row + size <= rows; ++row) {
      for (int column = 0; column + size <= columns; ++column) {
        const auto evenness = EvennessOf(surveys, column, row, size, size, bare);
        if (!evenness || (best && *evenness >= *best)) continue;
        best = evenness;
        box.set_x(first.x() + column * side);
        box.set_y(first.y() + row * side);
        box.set_width(static_cast<uint32_t>(size * side));
        box.set_height(static_cast<uint32_t>(size * side));
      }
    }
    if (best) return box;
  }
  return std::nullopt;
}

// Of the cells that the box covers, at its frame.
float RoughnessOf(const SampleBox& box, const PlateSurvey& s) {
  double sum = 0;
  int count = 0;
  for (int cell = 0; cell < s.roughness_size(); ++cell) {
    const int64_t side = s.cell_side(), x = s.x() + cell % static_cast<int>(s.columns()) * side,
                  y = s.y() + cell / static_cast<int>(s.columns()) * side;
    const bool apart = x + side <= box.x() || y + side <= box.y() || x >= int64_t{box.x()} + box.width() ||
                       y >= int64_t{box.y()} + box.height();
    if (apart || s.roughness(cell) < 0) continue;
    sum += static_cast<double>(s.roughness(cell)) * s.roughness(cell);
    ++count;
  }
  return count > 0 ? static_cast<float>(std::sqrt(sum / count)) : 0;
}

void Warn(const std::string& words, PlateFindings* f) { f->add_warning(words); }

// What grows in the screen's hue is found like a screen.
void DoubtScreen(const std::vector<Surveyed>& surveys, PlateFindings* f) {
  double bare = 0, whole = 0;
  for (const Surveyed& s : surveys) {
    for (float share : s.survey.bare()) {
      bare += share;
      if (share >= kWholeCell) whole += share;
    }
  }
  if (bare <= 0 || whole >= kInWholeCells * bare) return;
  Warn(absl::StrFormat(
           "is this a screen? What has its colour is %.0f %% of the picture and lies scattered in small parts; "
           "if it is one, show a clear area of it with --screen-box X,Y,WIDTH,HEIGHT",
           100 * f->bare_share()),
       f);
}

// Columns and rows of cells that show the screen at some frame. Downward it has no end:
// who stands close hides it there.
struct ScreenExtent {
  int first_column = 0, columns_end = 0, first_row = 0;
};

std::optional<ScreenExtent> ExtentOfScreen(const std::vector<Surveyed>& surveys) {
  const int columns = static_cast<int>(surveys[0].survey.columns());
  const std::vector<CellRange> cells = RangesOf(surveys);
  std::optional<ScreenExtent> extent;
  for (size_t i = 0; i < cells.size(); ++i) {
    if (cells[i].most_bare < kMostlyBare) continue;
    const int column = static_cast<int>(i) % columns, row = static_cast<int>(i) / columns;
    if (!extent) extent = ScreenExtent{column, column + 1, row};
    extent->first_column = std::min(extent->first_column, column);
    extent->columns_end = std::max(extent->columns_end, column + 1);
  }
  return extent;
}

// The part of a convex outline where keep(x, y) is not negative; `keep` is linear.
template <class Keep>
Outline Clipped(const Outline& outline, const Keep& keep) {
  Outline out;
  for (size_t i = 0; i < outline.size(); ++i) {
    const auto &a = outline[i], &b = outline[(i + 1) % outline.size()];
    const double at_a = keep(a.first, a.second), at_b = keep(b.first, b.second);
    if (at_a >= 0) out.push_back(a);
    if ((at_a >= 0) == (at_b >= 0)) continue;
    const double t = at_a / (at_a - at_b);
    out.emplace_back(static_cast<int>(std::lround(a.first + t * (b.first - a.first))),
                     static_cast<int>(std::lround(a.second + t * (b.second - a.second))));
  }
  return out;
}

// Where the screen ends inside the picture, so does the mask: half a cell before.
Outline EndedWithScreen(const std::vector<Surveyed>& surveys, Outline hull, PlateFindings* f) {
  const PlateSurvey& s = surveys[0].survey;
  const auto extent = ExtentOfScreen(surveys);
  if (!extent) return hull;
  const int side = static_cast<int>(s.cell_side());
  std::vector<std::string> ends;
  if (extent->first_column >= kBeyondScreen) {
    const int x = s.x() + extent->first_column * side + side / 2;
    hull = Clipped(hull, [&](double px, double) { return px - x; });
    ends.push_back(absl::StrCat("on the left at x ", x));
  }
  if (static_cast<int>(s.columns()) - extent->columns_end >= kBeyondScreen) {
    const int x = s.x() + extent->columns_end * side - side / 2;
    hull = Clipped(hull, [&](double px, double) { return x - px; });
    ends.push_back(absl::StrCat("on the right at x ", x));
  }
  if (extent->first_row >= kBeyondScreen) {
    const int y = s.y() + extent->first_row * side + side / 2;
    hull = Clipped(hull, [&](double, double py) { return py - y; });
    ends.push_back(absl::StrCat("at the top at y ", y));
  }
  if (ends.empty()) return hull;
  Warn(absl::StrCat("the screen ends ", absl::StrJoin(ends, " and "),
                    ": what lies beyond is thrown away by the garbage mask; draw that wider where the foreground goes "
                    "there"),
       f);
  return hull;
}

void AddGarbage(const std::vector<Surveyed>& surveys, PlateFindings* f) {
  Outline hull = HullOfForeground(surveys, true);
  if (hull.empty()) return Warn("every surveyed frame is nothing but bare screen: no garbage mask was drawn", f);
  hull = EndedWithScreen(surveys, std::move(hull), f);
  f->set_garbage_share(static_cast<float>(ShareWithin(hull, surveys[0].survey)));
  if (f->garbage_share() > kWorthMasking) {
    return Warn("the foreground reaches nearly all over the picture: no garbage mask was drawn", f);
  }
  f->set_garbage(PathOf(hull));
}

}  // namespace

std::vector<int> SpreadFrames(const Frames& frames, int count) {
  const int64_t last = int64_t{frames.last} - frames.first;
  std::vector<int> spread;
  for (int i = 0; i < count; ++i) {
    const int64_t at = count > 1 ? (last * i + (count - 1) / 2) / (count - 1) : 0;
    spread.push_back(static_cast<int>(frames.first + at));
  }
  spread.erase(std::unique(spread.begin(), spread.end()), spread.end());
  return spread;
}

std::vector<int> FramesBetween(const std::vector<int>& sorted) {
  std::vector<int> between;
  for (size_t i = 1; i < sorted.size(); ++i) {
    const int64_t middle = (int64_t{sorted[i - 1]} + sorted[i]) / 2;
    if (middle > sorted[i - 1] && middle < sorted[i]) between.push_back(static_cast<int>(middle));
  }
  return between;
}

Rgb ScreenOf(const PlateSurvey& survey) {
  if (survey.screen_size() != 3) return {};
  return {survey.screen(0), survey.screen(1), survey.screen(2)};
}

bool SameHue(const Rgb& a, const Rgb& b) {
  const double sum_a = static_cast<double>(a[0]) + a[1] + a[2], sum_b = static_cast<double>(b[0]) + b[1] + b[2];
  if (!(sum_a > 0 && sum_b > 0)) return false;
  return std::hypot(a[0] / sum_a - b[0] / sum_b, a[1] / sum_a - b[1] / sum_b) < kSameHue;
}

absl::StatusOr<Rgb> AgreedScreen(const std::vector<Surveyed>& surveys) {
  double best = 0;
  Rgb agreed{};
  for (const Surveyed& candidate : surveys) {
    if (!ShowsScreen(candidate.survey)) continue;
    double share = 0;
    std::vector<float> values[3];
    for (const Surveyed& s : surveys) {
      if (!ShowsScreen(s.survey) || !SameHue(ScreenOf(candidate.survey), ScreenOf(s.survey))) continue;
      share += s.survey.bare_share();
      for (int c = 0; c < 3; ++c) values[c].push_back(s.survey.screen(c));
    }
    if (share <= best) continue;
    best = share;
    for (int c = 0; c < 3; ++c) agreed[c] = Median(values[c]);
  }
  if (best <= 0) {
    return absl::NotFoundError(
        absl::StrCat("no screen was found at frames ", surveys.front().frame, " to ", surveys.back().frame, kGiveABox));
  }
  return agreed;
}

Outline HullOfForeground(const std::vector<Surveyed>& surveys, bool margin) {
  const PlateSurvey& s = surveys[0].survey;
  const int side = static_cast<int>(s.cell_side()), columns = static_cast<int>(s.columns()),
            rows = static_cast<int>(s.rows());
  const int pad = margin ? static_cast<int>(kMargin * side) : 0, beyond = kBeyond * side;
  Outline corners;
  for (size_t cell : ForegroundCells(surveys)) {
    const int column = static_cast<int>(cell) % columns, row = static_cast<int>(cell) / columns;
    const int x0 = s.x() + column * side - (margin && column == 0 ? beyond : pad);
    const int y0 = s.y() + row * side - (margin && row == 0 ? beyond : pad);
    const int x1 = s.x() + (column + 1) * side + (margin && column == columns - 1 ? beyond : pad);
    const int y1 = s.y() + (row + 1) * side + (margin && row == rows - 1 ? beyond : pad);
    corners.insert(corners.end(), {{x0, y0}, {x1, y0}, {x0, y1}, {x1, y1}});
  }
  return ConvexHull(std::move(corners));
}

bool Contains(const Outline& outline, const Outline& inner) {
  return std::all_of(inner.begin(), inner.end(), [&](const auto& p) { return Inside(outline, p.first, p.second); });
}

double ShareWithin(const Outline& outline, const PlateSurvey& s) {
  // At the middles of the cells.
  int64_t inside = 0, all = 0;
  for (uint32_t row = 0; row < s.rows(); ++row) {
    for (uint32_t column = 0; column < s.columns(); ++column, ++all) {
      inside += Inside(outline, s.x() + (column + 0.5) * s.cell_side(), s.y() + (row + 0.5) * s.cell_side());
    }
  }
  return all > 0 ? static_cast<double>(inside) / static_cast<double>(all) : 0;
}

std::optional<SampleBox> FindSampleBox(const std::vector<Surveyed>& surveys) {
  std::vector<const PlateSurvey*> all;
  for (const Surveyed& s : surveys) all.push_back(&s.survey);
  if (auto box = EvenestBox(all)) return box;
  for (const Surveyed& s : surveys) {
    auto box = EvenestBox({&s.survey});
    if (!box) continue;
    box->set_frame(s.frame);
    return box;
  }
  return std::nullopt;
}

absl::StatusOr<PlateFindings> MergeSurveys(const Frames& frames, const std::vector<Surveyed>& surveys,
                                           const std::optional<SampleBox>& given) {
  const PlateSurvey& first = surveys[0].survey;
  for (const Surveyed& s : surveys) {
    if (SameGrid(first, s.survey)) continue;
    return absl::InvalidArgumentError(absl::StrCat(
        "the plate is ", first.width(), " x ", first.height(), " at frame ", surveys[0].frame, ", but ",
        s.survey.width(), " x ", s.survey.height(), " at frame ", s.frame, "; all frames must have one size"));
  }
  PlateFindings f;
  f.set_first(frames.first);
  f.set_last(frames.last);
  f.set_x(first.x());
  f.set_y(first.y());
  f.set_width(first.width());
  f.set_height(first.height());
  f.set_least(first.least());
  f.set_greatest(first.greatest());
  if (first.has_encoding()) f.set_encoding(first.encoding());
  double bare = 0;
  for (const Surveyed& s : surveys) {
    f.add_surveyed(s.frame);
    f.set_least(std::min(f.least(), s.survey.least()));
    f.set_greatest(std::max(f.greatest(), s.survey.greatest()));
    bare += s.survey.bare_share();
  }
  f.set_bare_share(static_cast<float>(bare / static_cast<double>(surveys.size())));
  ASSIGN_OR_RETURN(const Rgb screen, AgreedScreen(surveys));
  for (float v : screen) f.add_screen(v);
  const float most = std::max({screen[0], screen[1], screen[2]});
  f.set_saturation((most - std::min({screen[0], screen[1], screen[2]})) / most);

  if (!given) DoubtScreen(surveys, &f);
  std::vector<float> smoothness;
  for (const Surveyed& s : surveys) {
    if (s.survey.chroma_smoothness() > 0) smoothness.push_back(s.survey.chroma_smoothness());
  }
  f.set_chroma_halved(!smoothness.empty() && Median(smoothness) < kChromaHalved);

  auto box = given ? given : FindSampleBox(surveys);
  const bool quite_bare = box.has_value();
  for (size_t i = 0; !box && i < std::size(kFairlyBare); ++i) {
    box = EvenestBox({&first}, kFairlyBare[i]);
    if (!box) continue;
    if (surveys.size() > 1) box->set_frame(surveys.front().frame);
    Warn(absl::StrFormat(
             "no area of screen is bare all over: the sample box %d,%d,%d,%d has specks in it, and no garbage "
             "mask was drawn; a better box makes a better key (--screen-box X,Y,WIDTH,HEIGHT)",
             box->x(), box->y(), box->width(), box->height()),
         &f);
  }
  if (!box) {
    return absl::NotFoundError(absl::StrCat("no part of the picture is bare screen throughout an area of ",
                                            first.cell_side(), " x ", first.cell_side(), " pixels", kGiveABox));
  }
  *f.mutable_box() = *box;
  const int at = box->has_frame() ? box->frame() : surveys.front().frame;
  for (const Surveyed& s : surveys) {
    if (s.frame != at) continue;
    f.set_roughness(RoughnessOf(*box, s.survey));
    f.set_box_texture(s.survey.box_texture());
  }
  if (given && f.box_texture() > kRough) {
    Warn(absl::StrFormat(
             "the box %d,%d,%d,%d has texture in it: %.1f times as rough as the evenest bare screen, expected "
             "1 to %.0f; noise and screen colour measured there will be wrong",
             box->x(), box->y(), box->width(), box->height(), f.box_texture(), kRough),
         &f);
  }
  if (!given && box->has_frame()) {
    Warn(absl::StrCat("no area of screen stays clear throughout; the sample box is valid only at frame ", box->frame()),
         &f);
  }
  for (const Surveyed& s : surveys) {
    if (s.survey.bare_share() >= kLeastShare) continue;
    Warn(absl::StrCat("hardly any screen was found at frame ", s.frame), &f);
  }
  // Where the screen ends is not known then, either.
  if (quite_bare) AddGarbage(surveys, &f);
  return f;
}

}  // namespace selvage::client
