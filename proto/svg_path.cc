#include "proto/svg_path.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <numbers>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr size_t kMaxCommands = 100'000;
constexpr double kMaxCoordinate = 1e6;
// Always this many, so that arcs of different sweep can be interpolated. A
// cubic over 45 degrees is within 4.3e-6 of the radius: 0.004 px at 1000 px.
constexpr int kCurvesPerArc = 8;

struct Point {
  double x = 0, y = 0;
  bool operator==(const Point&) const = default;
};
Point operator+(Point a, Point b) { return {a.x + b.x, a.y + b.y}; }
Point operator-(Point a, Point b) { return {a.x - b.x, a.y - b.y}; }
Point operator*(double s, Point a) { return {s * a.x, s * a.y}; }

struct Arc {
  double rx, ry, turn;
  bool large, sweep;
};

// A circle of radius 1 that an affine map takes to the ellipse of an arc.
struct UnitArc {
  Point center;
  double rx, ry, cos_turn, sin_turn, from, sweep;

  Point At(double x, double y) const {
    return center + Point{cos_turn * rx * x - sin_turn * ry * y, sin_turn * rx * x + cos_turn * ry * y};
  }
};

// End points to centre: SVG 1.1 implementation notes F.6.5 and F.6.6. A cosine
// and a sine in double here only shape the coordinates, which are in the key.
UnitArc FindCenter(Point from, Point to, const Arc& arc) {
  UnitArc u;
  const double turn = std::fmod(arc.turn, 360.0) * std::numbers::pi / 180;
  u.cos_turn = std::cos(turn);
  u.sin_turn = std::sin(turn);
  u.rx = arc.rx;
  u.ry = arc.ry;
  const Point half = 0.5 * (from - to);
  const Point p = {u.cos_turn * half.x + u.sin_turn * half.y, -u.sin_turn * half.x + u.cos_turn * half.y};
  // Radii too small to reach are scaled up until they just do.
  const double lambda = (p.x / u.rx) * (p.x / u.rx) + (p.y / u.ry) * (p.y / u.ry);
  double k = 0;
  if (lambda > 1) {
    u.rx *= std::sqrt(lambda);
    u.ry *= std::sqrt(lambda);
  } else {
    k = std::sqrt(std::max(0.0, 1 / lambda - 1)) * (arc.large == arc.sweep ? -1 : 1);
  }
  const Point c = {k * u.rx * p.y / u.ry, -k * u.ry * p.x / u.rx};
  u.center = 0.5 * (from + to) + Point{u.cos_turn * c.x - u.sin_turn * c.y, u.sin_turn * c.x + u.cos_turn * c.y};
  const double end = std::atan2((-p.y - c.y) / u.ry, (-p.x - c.x) / u.rx);
  u.from = std::atan2((p.y - c.y) / u.ry, (p.x - c.x) / u.rx);
  u.sweep = end - u.from;
  if (arc.sweep && u.sweep < 0) u.sweep += 2 * std::numbers::pi;
  if (!arc.sweep && u.sweep > 0) u.sweep -= 2 * std::numbers::pi;
  return u;
}

class Parser {
 public:
  explicit Parser(std::string_view text) : text_(text) {}

  absl::StatusOr<SvgPath> Parse() {
    SkipSpace();
    while (at_ < text_.size()) {
      RETURN_IF_ERROR(ReadCommand());
      SkipSpace();
    }
    // A sub-path without a curve covers nothing.
    std::erase_if(path_.sub_paths, [](const SubPath& s) { return s.xy.size() == 2; });
    return std::move(path_);
  }

 private:
  // --- text ---

  static bool IsSpace(char c) { return c == ' ' || c == '\t' || c == '\r' || c == '\n'; }
  static bool IsDigit(char c) { return c >= '0' && c <= '9'; }
  char Peek() const { return at_ < text_.size() ? text_[at_] : '\0'; }
  void SkipSpace() {
    while (at_ < text_.size() && IsSpace(text_[at_])) ++at_;
  }

  absl::Status ErrorAt(size_t at, const std::string& what) const {
    return absl::InvalidArgumentError(absl::StrCat("column ", at + 1, ": ", what));
  }
  absl::Status Expected(const std::string& what) const {
    if (at_ >= text_.size()) return ErrorAt(at_, absl::StrCat("the path ends, expected ", what));
    const char c = text_[at_];
    const std::string found = absl::ascii_isprint(c) ? absl::StrCat("\"", std::string(1, c), "\"")
                                                     : absl::StrCat("byte ", static_cast<int>(static_cast<uint8_t>(c)));
    return ErrorAt(at_, absl::StrCat("found ", found, ", expected ", what));
  }

  static bool StartsNumber(char c) { return IsDigit(c) || c == '.' || c == '-' || c == '+'; }

  // Between two arguments: spaces with at most one comma. After a comma an
  // argument must follow.
  bool SkipCommaSpace() {
    SkipSpace();
    if (Peek() != ',') return false;
    ++at_;
    SkipSpace();
    return true;
  }

  absl::StatusOr<double> ReadNumber() {
    const size_t begin = at_;
    size_t end = at_;
    auto digits = [&] {
      const size_t from = end;
      while (end < text_.size() && IsDigit(text_[end])) ++end;
      return end - from;
    };
    if (end < text_.size() && (text_[end] == '-' || text_[end] == '+')) ++end;
    size_t found = digits();
    if (end < text_.size() && text_[end] == '.') {
      ++end;
      found += digits();
    }
    if (found == 0) {
      if (end > begin) at_ = end;
      return Expected(end > begin ? "a digit" : "a number");
    }
    if (end < text_.size() && (text_[end] == 'e' || text_[end] == 'E')) {
      const size_t mantissa_end = end++;
      if (end < text_.size() && (text_[end] == '-' || text_[end] == '+')) ++end;
      if (digits() == 0) {
        at_ = std::max(end, mantissa_end + 1);
        return Expected("a digit of the exponent");
      }
    }
    at_ = end;
    // from_chars knows no plus sign.
    const char* first = text_.data() + begin + (text_[begin] == '+');
    double value = 0;
    const auto result = std::from_chars(first, text_.data() + end, value);
    if (result.ec == std::errc::result_out_of_range) {
      const bool tiny =
          std::string_view(first, text_.data() + end - first).find_first_of("eE") != std::string_view::npos &&
          std::string_view(first, text_.data() + end - first).find("-", 1) != std::string_view::npos;
      if (!tiny) return ErrorAt(begin, "the number is beyond +-1e6");
      value = 0;
    }
    if (std::abs(value) > kMaxCoordinate) return ErrorAt(begin, "the number is beyond +-1e6");
    return value;
  }

  absl::StatusOr<bool> ReadFlag() {
    if (Peek() != '0' && Peek() != '1') return Expected("an arc flag, 0 or 1");
    return text_[at_++] == '1';
  }

  // The next argument of the same command, spaces and comma skipped.
  absl::StatusOr<double> NextNumber() {
    SkipCommaSpace();
    return ReadNumber();
  }
  absl::StatusOr<Point> ReadPoint(bool first) {
    Point p;
    if (!first) SkipCommaSpace();
    ASSIGN_OR_RETURN(p.x, ReadNumber());
    ASSIGN_OR_RETURN(p.y, NextNumber());
    return relative_ ? p + current_ : p;
  }

  // --- commands ---

  absl::Status ReadCommand() {
    command_at_ = at_;
    const char letter = Peek();
    const char upper = absl::ascii_toupper(letter);
    if (std::string_view("MLHVCSQTAZ").find(upper) == std::string_view::npos || letter == '\0') {
      return Expected(path_.commands.empty() ? "M: a path starts with M" : "a command (M L H V C S Q T A Z)");
    }
    if (path_.commands.empty() && upper != 'M') return Expected("M: a path starts with M");
    relative_ = letter != upper;
    ++at_;
    if (upper == 'Z') return Close();
    SkipSpace();
    char now = upper;
    for (;;) {
      RETURN_IF_ERROR(ReadArguments(now));
      // More arguments repeat the command; after M they are lines.
      if (now == 'M') now = 'L';
      const bool comma = SkipCommaSpace();
      if (!StartsNumber(Peek())) return comma ? Expected("a number after the comma") : absl::OkStatus();
      command_at_ = at_;
    }
  }

  absl::Status ReadArguments(char command) {
    switch (command) {
      case 'M': {
        ASSIGN_OR_RETURN(Point p, ReadPoint(true));
        return Move(p);
      }
      case 'L': {
        ASSIGN_OR_RETURN(Point p, ReadPoint(true));
        return Line('L', p);
      }
      case 'H': {
        ASSIGN_OR_RETURN(double x, ReadNumber());
        return Line('H', {relative_ ? current_.x + x : x, current_.y});
      }
      case 'V': {
        ASSIGN_OR_RETURN(double y, ReadNumber());
        return Line('V', {current_.x, relative_ ? current_.y + y : y});
      }
      case 'C': {
        ASSIGN_OR_RETURN(Point c1, ReadPoint(true));
        ASSIGN_OR_RETURN(Point c2, ReadPoint(false));
        ASSIGN_OR_RETURN(Point p, ReadPoint(false));
        return Cubic('C', c1, c2, p);
      }
      case 'S': {
        ASSIGN_OR_RETURN(Point c2, ReadPoint(true));
        ASSIGN_OR_RETURN(Point p, ReadPoint(false));
        const bool smooth = last_ == 'C' || last_ == 'S';
        return Cubic('S', smooth ? 2 * current_ - control_ : current_, c2, p);
      }
      case 'Q': {
        ASSIGN_OR_RETURN(Point c, ReadPoint(true));
        ASSIGN_OR_RETURN(Point p, ReadPoint(false));
        return Quadratic('Q', c, p);
      }
      case 'T': {
        ASSIGN_OR_RETURN(Point p, ReadPoint(true));
        const bool smooth = last_ == 'Q' || last_ == 'T';
        return Quadratic('T', smooth ? 2 * current_ - control_ : current_, p);
      }
      default:
        return ReadArc();
    }
  }

  absl::Status ReadArc() {
    Arc arc;
    ASSIGN_OR_RETURN(arc.rx, ReadNumber());
    ASSIGN_OR_RETURN(arc.ry, NextNumber());
    ASSIGN_OR_RETURN(arc.turn, NextNumber());
    SkipCommaSpace();
    ASSIGN_OR_RETURN(arc.large, ReadFlag());
    SkipCommaSpace();
    ASSIGN_OR_RETURN(arc.sweep, ReadFlag());
    ASSIGN_OR_RETURN(Point p, ReadPoint(false));
    arc.rx = std::abs(arc.rx);
    arc.ry = std::abs(arc.ry);
    return DrawArc(arc, p);
  }

  // --- drawing ---

  absl::Status Note(char command) {
    path_.commands.push_back(command);
    last_ = command;
    if (path_.commands.size() <= kMaxCommands) return absl::OkStatus();
    return ErrorAt(command_at_, "the path has more than 100,000 commands");
  }

  absl::Status Check(Point p) const {
    if (std::abs(p.x) <= kMaxCoordinate && std::abs(p.y) <= kMaxCoordinate) return absl::OkStatus();
    return ErrorAt(command_at_, "a point lies beyond +-1e6");
  }

  absl::Status Move(Point p) {
    RETURN_IF_ERROR(Check(p));
    path_.sub_paths.push_back({{p.x, p.y}});
    current_ = start_ = p;
    open_ = true;
    return Note('M');
  }

  absl::Status Close() {
    current_ = start_;
    open_ = false;
    return Note('Z');
  }

  absl::Status Curve(Point c1, Point c2, Point p) {
    RETURN_IF_ERROR(Check(c1));
    RETURN_IF_ERROR(Check(c2));
    RETURN_IF_ERROR(Check(p));
    // Drawing goes on after Z without M: a new sub-path from the same start.
    if (!open_) path_.sub_paths.push_back({{start_.x, start_.y}});
    open_ = true;
    auto& xy = path_.sub_paths.back().xy;
    xy.insert(xy.end(), {c1.x, c1.y, c2.x, c2.y, p.x, p.y});
    current_ = p;
    return absl::OkStatus();
  }

  absl::Status Line(char command, Point p) {
    RETURN_IF_ERROR(Curve(current_ + (1.0 / 3) * (p - current_), current_ + (2.0 / 3) * (p - current_), p));
    return Note(command);
  }

  absl::Status Cubic(char command, Point c1, Point c2, Point p) {
    control_ = c2;
    RETURN_IF_ERROR(Curve(c1, c2, p));
    return Note(command);
  }

  absl::Status Quadratic(char command, Point c, Point p) {
    RETURN_IF_ERROR(Check(c));
    control_ = c;
    RETURN_IF_ERROR(Curve(current_ + (2.0 / 3) * (c - current_), p + (2.0 / 3) * (c - p), p));
    return Note(command);
  }

  absl::Status DrawArc(const Arc& arc, Point to) {
    const Point from = current_;
    // F.6.2: no radius is a straight line; no distance is no arc at all.
    const bool straight = arc.rx == 0 || arc.ry == 0 || from == to;
    UnitArc u;
    if (!straight) u = FindCenter(from, to, arc);
    for (int i = 0; i < kCurvesPerArc; ++i) {
      const bool last = i + 1 == kCurvesPerArc;
      if (straight) {
        const Point a = current_;
        const Point b = last ? to : from + (double(i + 1) / kCurvesPerArc) * (to - from);
        RETURN_IF_ERROR(Curve(a + (1.0 / 3) * (b - a), a + (2.0 / 3) * (b - a), b));
      } else {
        const double t0 = u.from + u.sweep * i / kCurvesPerArc, t1 = u.from + u.sweep * (i + 1) / kCurvesPerArc;
        const double k = 4.0 / 3 * std::tan((t1 - t0) / 4);
        const double c0 = std::cos(t0), s0 = std::sin(t0), c1 = std::cos(t1), s1 = std::sin(t1);
        RETURN_IF_ERROR(
            Curve(u.At(c0 - k * s0, s0 + k * c0), u.At(c1 + k * s1, s1 - k * c1), last ? to : u.At(c1, s1)));
      }
      RETURN_IF_ERROR(Note('A'));
    }
    return absl::OkStatus();
  }

  const std::string_view text_;
  size_t at_ = 0;
  size_t command_at_ = 0;
  bool relative_ = false;

  SvgPath path_;
  Point start_, current_, control_;
  char last_ = '\0';
  bool open_ = false;
};

}  // namespace

absl::StatusOr<SvgPath> ParseSvgPath(std::string_view text) { return Parser(text).Parse(); }

bool CanMove(const SvgPath& from, const SvgPath& to) {
  return std::equal(from.sub_paths.begin(), from.sub_paths.end(), to.sub_paths.begin(), to.sub_paths.end(),
                    [](const SubPath& a, const SubPath& b) { return a.xy.size() == b.xy.size(); });
}

}  // namespace selvage
