#include "client/intake/intake.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <map>
#include <optional>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "client/encoding.h"

namespace selvage::client {
namespace {

// Rules of thumb, no source, but for the blocks: JPEG files of a noisy clip have 1.2 at
// quality 100 and 1.75 at 30, pictures that no codec saw 1.0.
constexpr double kManyPixels = 0.01, kBlocksShow = 0.15;
// Mean light of a frame against both neighbours, and how much light it must be.
constexpr double kFlashRatio = 1.3, kLeastFlash = 0.003;
// Equal bands from the top or the bottom, beyond those that the frames of this shot usually
// have (black bars), that make a torn frame: so many more, and so many standard deviations.
constexpr double kTornBands = 2, kTornSpread = 6;
// One frame in so many may be torn.
constexpr size_t kMostTorn = 4;
constexpr size_t kBandBytes = 8;
// Of light, or of code values from 0 to 1: what log codes leave free at both ends and have in
// the mean, what light and code values hardly ever have in the mean. A green screen in light
// has 0.2 to 0.3.
constexpr double kLogBlack = 0.05, kLogWhite = 0.85, kLogMean = 0.3;
constexpr double kTooBright = 0.35, kTooDark = 0.02, kHighlight = 0.2;
constexpr size_t kMostLines = 50;

const char* const kChannels[] = {"red", "green", "blue"};

// "3 %", "0.4 %"
std::string PercentOf(double share) { return absl::StrFormat(share >= 0.1 ? "%.0f %%" : "%.1f %%", 100 * share); }

std::string And(const std::vector<std::string>& words) {
  if (words.size() < 2) return absl::StrJoin(words, "");
  return absl::StrCat(absl::StrJoin(words.begin(), words.end() - 1, ", "), " and ", words.back());
}

// W3C: sRGB, and near enough for BT.709 where only the ends of the range matter.
double CodeOfLight(double light) {
  return light <= 0.0031308 ? 12.92 * light : 1.055 * std::pow(light, 1 / 2.4) - 0.055;
}

double Luma(const PlateSurvey& s) {
  if (s.channel_mean_size() < 3) return 0;
  return 0.2126 * s.channel_mean(0) + 0.7152 * s.channel_mean(1) + 0.0722 * s.channel_mean(2);
}

// A screen is bright in one channel only.
double MeanOfChannels(const PlateSurvey& s) {
  return s.channel_mean_size() < 3 ? 0 : (s.channel_mean(0) + s.channel_mean(1) + s.channel_mean(2)) / 3.0;
}

// The lower one of two in the middle. REQUIRES: not empty.
double MedianOf(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<ptrdiff_t>((values.size() - 1) / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

// What two frames have in common.
struct Common {
  size_t bands = 0, top = 0, bottom = 0;
  bool all() const { return bands > 0 && top == bands; }
};

Common CommonBands(const PlateSurvey& a, const PlateSurvey& b) {
  Common common;
  if (a.width() != b.width() || a.height() != b.height() || a.bands().size() != b.bands().size()) return common;
  const std::string &x = a.bands(), &y = b.bands();
  common.bands = x.size() / kBandBytes;
  const auto same = [&](size_t band) {
    return x.compare(band * kBandBytes, kBandBytes, y, band * kBandBytes, kBandBytes) == 0;
  };
  while (common.top < common.bands && same(common.top)) ++common.top;
  while (common.bottom < common.bands && same(common.bands - 1 - common.bottom)) ++common.bottom;
  return common;
}

// From how many equal bands on a frame stands out of these.
double MostUsual(std::vector<double> bands) {
  if (bands.empty()) return kTornBands;
  const double median = MedianOf(bands);
  for (double& b : bands) b = std::abs(b - median);
  // The median deviation x 1.4826 is a standard deviation for normal noise.
  return median + std::max(kTornBands, kTornSpread * 1.4826 * MedianOf(bands));
}

class IntakeFinder {
 public:
  IntakeFinder(const Intake& intake, PlateIntake* report) : in_(intake), report_(report) {
    for (size_t i = 0; i < in_.frame.size(); ++i) {
      if (Read(i)) read_.push_back(i);
    }
  }

  void Find() {
    FindMissing();
    FindDouble();
    FindUnreadable();
    FindRepeated();
    FindChanged();
    FindExtremes(IntakeFinding::CLIPPED);
    FindExtremes(IntakeFinding::CRUSHED);
    FindBlocks();
    FindTransfer();
    FindNotFinite();
    FindFlashes();
    auto* found = report_->mutable_finding();
    std::stable_sort(found->begin(), found->end(), [](const IntakeFinding& a, const IntakeFinding& b) {
      return std::make_pair(a.first(), static_cast<int>(a.kind())) <
             std::make_pair(b.first(), static_cast<int>(b.kind()));
    });
  }

 private:
  bool Read(size_t i) const { return in_.frame[i].state == IntakeFrame::kRead; }
  const PlateSurvey& At(size_t i) const { return in_.frame[i].survey; }
  int FrameAt(size_t i) const { return in_.frames.first + static_cast<int>(i); }

  void Add(IntakeFinding::Kind kind, size_t first, size_t last, const std::string& why) {
    IntakeFinding* finding = report_->add_finding();
    finding->set_kind(kind);
    finding->set_first(FrameAt(first));
    finding->set_last(FrameAt(last));
    finding->set_why(why);
  }

  // One finding a run of frames with the same words; "" is no finding.
  void AddAlike(IntakeFinding::Kind kind, const std::function<std::string(size_t)>& words) {
    for (size_t i = 0; i < in_.frame.size(); ++i) {
      const std::string why = words(i);
      if (why.empty()) continue;
      const size_t first = i;
      while (i + 1 < in_.frame.size() && words(i + 1) == why) ++i;
      Add(kind, first, i, why);
    }
  }

  // One finding a run of frames that have `least` or more, and among those half as much or
  // more, so that what hovers about a limit is one run; frames that were not read are passed
  // over. `words`: of the frame with the most, and whether there are others.
  void AddRuns(IntakeFinding::Kind kind, double least, const std::function<double(size_t)>& value,
               const std::function<std::string(size_t most, bool several)>& words) {
    for (size_t k = 0; k < read_.size(); ++k) {
      if (value(read_[k]) < least) continue;
      const size_t first = k;
      size_t most = k;
      size_t last = k;
      for (size_t j = k + 1; j < read_.size() && value(read_[j]) >= least / 2; ++j) {
        if (value(read_[j]) >= least) last = j;
        if (value(read_[j]) > value(read_[most])) most = j;
      }
      Add(kind, read_[first], read_[last], words(read_[most], last > first));
      k = last;
    }
  }

  void FindMissing() {
    std::map<int, std::string> other;
    for (const OtherSpelling& s : in_.spellings) other.emplace(s.frame, s.name);
    AddAlike(IntakeFinding::MISSING, [&](size_t i) -> std::string {
      if (in_.frame[i].state != IntakeFrame::kMissing) return "";
      const auto found = other.find(FrameAt(i));
      if (found != other.end()) {
        return absl::StrCat("there is no file of this name, but ", found->second,
                            " has the number with other digits: if that is the frame, rename it.");
      }
      return "there is no file. Ask for it; until it comes, `missing: HOLD` in the stack's plate shows the nearest "
             "frame.";
    });
  }

  void FindDouble() {
    std::map<int, std::vector<std::string>> others;
    for (const OtherSpelling& s : in_.spellings) others[s.frame].push_back(s.name);
    for (const auto& [frame, names] : others) {
      const auto i = static_cast<size_t>(int64_t{frame} - in_.frames.first);
      if (i >= in_.frame.size() || in_.frame[i].state == IntakeFrame::kMissing) continue;
      const std::string& file = in_.frame[i].file;
      Add(IntakeFinding::DOUBLE, i, i,
          absl::StrCat(And(names), names.size() == 1 ? " says" : " say", " this number, too. A stack reads ",
                       file.substr(file.rfind('/') + 1), ": find out which file is right, and move the other away."));
    }
  }

  void FindUnreadable() {
    AddAlike(IntakeFinding::UNREADABLE, [&](size_t i) -> std::string {
      const IntakeFrame& f = in_.frame[i];
      if (f.state != IntakeFrame::kUnreadable) return "";
      return absl::StrCat(f.trouble, ". Copy it again; if it is no better where it came from, ask for it again.");
    });
  }

  // Frozen and torn ones.
  void FindRepeated() {
    std::vector<Common> common(read_.size());
    std::vector<double> tops, bottoms;
    for (size_t k = 1; k < read_.size(); ++k) {
      common[k] = CommonBands(At(read_[k - 1]), At(read_[k]));
      if (common[k].bands == 0 || common[k].all()) continue;
      tops.push_back(static_cast<double>(common[k].top));
      bottoms.push_back(static_cast<double>(common[k].bottom));
    }
    const double top = MostUsual(tops), bottom = MostUsual(bottoms);
    std::vector<size_t> torn;
    for (size_t k = 1; k < read_.size(); ++k) {
      const Common& c = common[k];
      if (c.all()) {
        const size_t first = k;
        while (k + 1 < read_.size() && common[k + 1].all()) ++k;
        Add(IntakeFinding::FROZEN, read_[first], read_[k],
            "the picture is exactly that of the frame before. If the shot is meant to move here, ask for it again.");
        continue;
      }
      const bool upper = static_cast<double>(c.top) >= top, lower = static_cast<double>(c.bottom) >= bottom;
      if (upper != lower) torn.push_back(k);
    }
    // A drawn picture may stand still in parts of its own.
    if (torn.size() > std::max<size_t>(1, read_.size() / kMostTorn)) return;
    for (const size_t k : torn) {
      const Common& c = common[k];
      const bool upper = static_cast<double>(c.top) >= top;
      const double share = static_cast<double>(upper ? c.top : c.bottom) / static_cast<double>(c.bands);
      Add(IntakeFinding::TORN, read_[k], read_[k],
          absl::StrFormat(
              "torn: the %s %.0f %% of the picture is exactly that of the frame before, the rest is not. Ask "
              "for this frame and the one before again.",
              upper ? "upper" : "lower", 100 * share));
    }
  }

  void FindChanged() {
    if (read_.empty()) return;
    const IntakeFrame& first = in_.frame[read_[0]];
    AddAlike(IntakeFinding::CHANGED, [&](size_t i) -> std::string {
      if (!Read(i)) return "";
      const IntakeFrame& f = in_.frame[i];
      const PlateSurvey &a = first.survey, &b = f.survey;
      std::vector<std::string> changes;
      if (a.width() != b.width() || a.height() != b.height()) {
        changes.push_back(absl::StrCat("is ", b.width(), " x ", b.height(), ", not ", a.width(), " x ", a.height()));
      }
      if (f.type != first.type) changes.push_back(absl::StrCat("is ", f.type, ", not ", first.type));
      if (a.encoding() != b.encoding()) {
        changes.push_back(
            absl::StrCat("is read as ", EncodingName(b.encoding()), ", not as ", EncodingName(a.encoding())));
      }
      if (changes.empty()) return "";
      return absl::StrCat("the picture ", And(changes), " like frame ", FrameAt(read_[0]),
                          ". Ask for one delivery in which all frames are alike.");
    });
  }

  void FindExtremes(IntakeFinding::Kind kind) {
    const bool high = kind == IntakeFinding::CLIPPED;
    // A channel of one value tells nothing.
    const auto share = [high](const PlateSurvey& s, int c) -> double {
      const auto& shares = high ? s.at_greatest() : s.at_least();
      if (shares.size() < 3 || s.channel_least(c) == s.channel_greatest(c)) return 0;
      return shares[c];
    };
    const auto most_of = [&](size_t i) { return std::max({share(At(i), 0), share(At(i), 1), share(At(i), 2)}); };
    AddRuns(kind, kManyPixels, most_of, [&](size_t most, bool several) {
      const PlateSurvey& s = At(most);
      std::vector<std::string> parts;
      for (int c = 0; c < 3; ++c) {
        if (share(s, c) < kManyPixels) continue;
        parts.push_back(absl::StrFormat("%s in %s%s of the picture (at %.3g)", kChannels[c], several ? "up to " : "",
                                        PercentOf(share(s, c)), high ? s.channel_greatest(c) : s.channel_least(c)));
      }
      return absl::StrCat(high ? "clipped: " : "crushed: ", And(parts),
                          high ? ". What was brighter is gone: ask whether there is a version that is not cut off."
                               : ". What was darker is gone: ask whether there is a version that is not cut off.");
    });
  }

  void FindBlocks() {
    AddRuns(
        IntakeFinding::BLOCKS, kBlocksShow, [&](size_t i) { return At(i).blocks() > 0 ? At(i).blocks() - 1.0 : 0.0; },
        [&](size_t most, bool several) {
          return absl::StrFormat(
              "the 8 x 8 blocks of a codec show: steps at their borders are %s%.2f times those within. Fine edges will "
              "suffer: ask for the camera's original, or for less compression.",
              several ? "up to " : "", At(most).blocks());
        });
  }

  void FindNotFinite() {
    AddRuns(
        IntakeFinding::NOT_FINITE, 1, [&](size_t i) { return static_cast<double>(At(i).not_finite()); },
        [&](size_t most, bool several) {
          const uint64_t count = At(most).not_finite();
          return absl::StrCat(several ? "up to " : "", count, count == 1 ? " sample is" : " samples are",
                              " infinite or no number; they are read as 65504 and 0. Ask for a clean render, or expect "
                              "dots in the key.");
        });
  }

  void FindFlashes() {
    for (size_t i = 1; i + 1 < in_.frame.size(); ++i) {
      // An infinite sample, read as 65504, is much light.
      if (!Read(i - 1) || !Read(i) || !Read(i + 1) || At(i).not_finite() > 0) continue;
      const double before = Luma(At(i - 1)), here = Luma(At(i)), after = Luma(At(i + 1));
      const double brighter = std::max(before, after), darker = std::min(before, after);
      const bool up = here > kFlashRatio * brighter && here - brighter > kLeastFlash;
      const bool down = here * kFlashRatio < darker && darker - here > kLeastFlash;
      if (!up && !down) continue;
      const double times = up ? here / std::max(brighter, 1e-4) : darker / std::max(here, 1e-4);
      Add(IntakeFinding::FLASH, i, i,
          times >= 100
              ? absl::StrCat(up ? "a flash: the frames beside it are black."
                                : "black between two frames that are not. Ask whether it is meant.")
              : absl::StrFormat("%.1f times as %s as the frames beside it: %s. One setting of the key will hardly "
                                "fit it and them.",
                                times, up ? "bright" : "dark",
                                up ? "a flash, or another exposure" : "a light that failed, or another exposure"));
    }
  }

  // Of the shot as a whole: one frame may be anything.
  void FindTransfer() {
    if (read_.empty()) return;
    double least = INFINITY, greatest = -INFINITY;
    std::vector<double> means;
    for (const size_t i : read_) {
      if (At(i).not_finite() > 0) continue;
      for (int c = 0; c < At(i).channel_least_size(); ++c) {
        least = std::min<double>(least, At(i).channel_least(c));
        greatest = std::max<double>(greatest, At(i).channel_greatest(c));
      }
      means.push_back(MeanOfChannels(At(i)));
    }
    if (means.empty()) return;
    const std::string doubt = Doubt(At(read_[0]).encoding(), least, greatest, MedianOf(means));
    if (!doubt.empty()) Add(IntakeFinding::TRANSFER, read_.front(), read_.back(), doubt);
  }

  // Why values like these are hardly of that encoding, and what to try; "" if they may be.
  static std::string Doubt(Encoding encoding, double least, double greatest, double mean) {
    const std::string name = EncodingName(encoding);
    constexpr char kLog[] =
        ": that is how log footage looks. Ask which curve it has; `--encoding printing_density` or `acescct` read two.";
    switch (encoding) {
      case ENCODING_SRGB:
      case ENCODING_BT709: {
        if (greatest > 1.001 || least < -0.01) {
          return absl::StrFormat(
              "the values go from %.3g to %.3g, but %s ends at 0 and 1: if this is linear light, say "
              "`--encoding linear`.",
              least, greatest, name);
        }
        const double black = CodeOfLight(least), white = CodeOfLight(greatest);
        if (black >= kLogBlack && white <= kLogWhite) {
          return absl::StrFormat("read as %s there is neither black nor white, the code values go from %.2f to %.2f%s",
                                 name, black, white, kLog);
        }
        if (mean < kTooDark && greatest > kHighlight) {
          return absl::StrFormat(
              "read as %s it is very dark, the mean is %.2g of white. If the files hold linear light, say "
              "`--encoding linear`.",
              name, mean);
        }
        return "";
      }
      case ENCODING_LINEAR: {
        if (least < 0 || greatest > 1.0001) return "";
        if (least >= kLogBlack && greatest <= kLogWhite && mean > kLogMean) {
          return absl::StrFormat("read as light there is neither black nor white, the values go from %.2f to %.2f%s",
                                 least, greatest, kLog);
        }
        if (mean > kTooBright) {
          return absl::StrFormat(
              "read as light it is very bright, the mean is %.2g and nothing is above 1: code values look "
              "like that. If they are, say `--encoding srgb` or `bt709`.",
              mean);
        }
        return "";
      }
      case ENCODING_PRINTING_DENSITY:
      case ENCODING_ACESCCT: {
        const bool whole =
            encoding == ENCODING_ACESCCT ? least < -0.004 && greatest > 100 : least < -0.003 && greatest > 12;
        if (!whole) return "";
        return absl::StrFormat(
            "read as %s it has values from %.3g to %.3g, so all code values are used: video looks like "
            "that. If it is, say `--encoding bt709` or `srgb`.",
            name, least, greatest);
      }
      default:
        return "";
    }
  }

  const Intake& in_;
  PlateIntake* report_;
  std::vector<size_t> read_;
};

std::string RangeText(const std::vector<std::pair<int, int>>& ranges) {
  constexpr size_t kMostRanges = 12;
  std::vector<std::string> parts;
  for (const auto& [first, last] : ranges) {
    if (parts.size() == kMostRanges) {
      parts.push_back(absl::StrCat("and ", ranges.size() - kMostRanges, " more"));
      break;
    }
    parts.push_back(first == last ? absl::StrCat(first) : absl::StrCat(first, "-", last));
  }
  return absl::StrJoin(parts, ", ");
}

}  // namespace

void KeepRecording(PlateSurvey* survey) {
  survey->clear_screen();
  survey->clear_bare();
  survey->clear_roughness();
  survey->clear_mean();
}

PlateIntake ReportOf(const Intake& intake) {
  PlateIntake report;
  report.set_files(intake.files);
  report.set_first(intake.frames.first);
  report.set_last(intake.frames.last);
  for (size_t i = 0; i < intake.frame.size(); ++i) {
    const IntakeFrame& from = intake.frame[i];
    PlateIntake::Frame* frame = report.add_frame();
    frame->set_frame(intake.frames.first + static_cast<int>(i));
    frame->set_file(from.file);
    frame->set_width(from.survey.width());
    frame->set_height(from.survey.height());
    *frame->mutable_mean() = from.survey.channel_mean();
    *frame->mutable_least() = from.survey.channel_least();
    *frame->mutable_greatest() = from.survey.channel_greatest();
    frame->set_blocks(from.survey.blocks());
  }
  IntakeFinder(intake, &report).Find();
  return report;
}

std::string InWords(const Intake& intake, const PlateIntake& report) {
  size_t missing = 0, unreadable = 0;
  const IntakeFrame* first = nullptr;
  double least = INFINITY, greatest = -INFINITY;
  std::vector<double> means;
  for (const IntakeFrame& f : intake.frame) {
    missing += f.state == IntakeFrame::kMissing;
    unreadable += f.state == IntakeFrame::kUnreadable;
    if (f.state != IntakeFrame::kRead) continue;
    if (first == nullptr) first = &f;
    means.push_back(Luma(f.survey));
    least = std::min<double>(least, f.survey.least());
    greatest = std::max<double>(greatest, f.survey.greatest());
  }
  std::string text = absl::StrCat(intake.files, "\n");
  const auto line = [&](const char* name, const std::string& value) {
    absl::StrAppend(&text, absl::StrFormat("  %-9s %s\n", name, value));
  };
  const size_t files = intake.frame.size() - missing;
  const bool sequence = intake.files.find('%') != std::string::npos;
  line("frames", !sequence ? std::string("one picture")
                           : absl::StrCat(intake.frames.first, "-", intake.frames.last, ": ", files,
                                          files == 1 ? " file" : " files",
                                          missing > 0 ? absl::StrCat(", ", missing, " missing") : "",
                                          unreadable > 0 ? absl::StrCat(", ", unreadable, " not to be read") : ""));
  if (first != nullptr) {
    line("size", absl::StrCat(first->survey.width(), " x ", first->survey.height()));
    if (!first->type.empty()) line("type", first->type);
    line("encoding", absl::StrFormat("%s; values from %.3g to %.3g, mean %.3g", EncodingName(first->survey.encoding()),
                                     least, greatest, MedianOf(means)));
  }
  if (report.finding().empty()) return absl::StrCat(text, "\nNothing stands out.\n");
  // In the order of their first frames.
  struct Line {
    const std::string* why;
    std::vector<std::pair<int, int>> ranges;
  };
  std::vector<Line> lines;
  std::map<std::string, size_t> line_of;
  for (const IntakeFinding& f : report.finding()) {
    const auto [at, is_new] = line_of.emplace(f.why(), lines.size());
    if (is_new) lines.push_back({&f.why(), {}});
    lines[at->second].ranges.emplace_back(f.first(), f.last());
  }
  absl::StrAppend(&text, "\nFrames to look at:\n");
  for (size_t i = 0; i < lines.size(); ++i) {
    if (i == kMostLines) {
      absl::StrAppend(&text, "  and ", lines.size() - kMostLines, " lines more, which --json has, too\n");
      break;
    }
    absl::StrAppend(&text, "  ", RangeText(lines[i].ranges), ": ", *lines[i].why, "\n");
  }
  return text;
}

}  // namespace selvage::client
