#include "client/progress.h"

#include <algorithm>
#include <cstdint>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/estimate.h"
#include "client/output.h"
#include "proto/proxy.h"

namespace selvage::client {
namespace {

constexpr int kBarWidth = 16;
constexpr size_t kUnlimited = SIZE_MAX;

uint64_t Ended(const PassProgress& p) { return p.rendered() + p.reused() + p.failed(); }

struct Sums {
  uint64_t total = 0, rendered = 0, reused = 0, running = 0, failed = 0;
  uint64_t tiles_rendered = 0, tiles_reused = 0;
};

Sums Sum(const JobProgress& progress) {
  Sums s;
  for (const PassProgress& p : progress.pass()) {
    s.total += p.total();
    s.rendered += p.rendered();
    s.reused += p.reused();
    s.running += p.running();
    s.failed += p.failed();
    s.tiles_rendered += p.tiles_rendered();
    s.tiles_reused += p.tiles_reused();
  }
  return s;
}

// A line of pieces; those that matter least go first where they don't all fit.
class Line {
 public:
  // `rank` 0, and what is left alone: stays in any case.
  void Add(int rank, const std::string& text) {
    if (!text.empty()) pieces_.push_back({rank, text});
  }
  std::string Fit(size_t columns) {
    while (Text().size() > columns) {
      const auto least = std::max_element(pieces_.begin(), pieces_.end(),
                                          [](const Piece& a, const Piece& b) { return a.rank < b.rank; });
      if (least->rank == 0 || pieces_.size() == 1) break;
      pieces_.erase(least);
    }
    return Text().substr(0, columns);
  }

 private:
  struct Piece {
    int rank;
    std::string text;
  };
  std::string Text() const {
    std::string text;
    for (const Piece& p : pieces_) absl::StrAppend(&text, text.empty() ? "" : "  ", p.text);
    return text;
  }
  std::vector<Piece> pieces_;
};

// "12 of 480 tiles", where some were reused.
std::string Tiles(uint64_t rendered, uint64_t reused) {
  return reused == 0 ? "" : absl::StrCat(rendered, " of ", rendered + reused, " tiles");
}

size_t NameWidth(const JobProgress& progress, size_t columns) {
  size_t width = 8;
  for (const PassProgress& p : progress.pass()) width = std::max(width, p.pass().size());
  return std::min<size_t>({width, 32, columns / 3});
}

size_t Room(const std::optional<Window>& window) {
  // The last column of a terminal is left free: a line that fills it wraps.
  return window ? static_cast<size_t>(window->columns - 1) : kUnlimited;
}

}  // namespace

std::string Headline(const JobProgress& progress, size_t columns) {
  const Sums s = Sum(progress);
  const bool open = progress.state() == JOB_RUNNING || progress.state() == JOB_INSPECTING;
  const bool waiting = open && progress.workers() == 0;
  Line line;
  line.Add(1, progress.stack_name().substr(0, std::max<size_t>(12, std::min<size_t>(columns, 400) / 4)));
  if (progress.proxy() > 1) line.Add(1, SizeInWords(progress.proxy()));
  line.Add(1, StateName(progress.state()));
  line.Add(2, absl::StrCat(s.rendered + s.reused + s.failed, " of ", s.total, " tasks"));
  if (waiting) line.Add(1, "waiting: no worker is connected");
  // The last to go.
  if (open && progress.seconds_left() > 0) line.Add(0, absl::StrCat(Seconds(progress.seconds_left()), " left"));
  line.Add(4, absl::StrCat(s.rendered, " rendered"));
  line.Add(6, Tiles(s.tiles_rendered, s.tiles_reused));
  line.Add(5, absl::StrCat(s.reused, " reused"));
  if (s.failed > 0) line.Add(2, absl::StrCat(s.failed, " failed"));
  line.Add(3, Seconds(progress.seconds()));
  if (open && s.rendered > 0 && progress.seconds() > 0.5) {
    line.Add(7, absl::StrFormat("%.1f/s", static_cast<double>(s.rendered) / progress.seconds()));
  }
  return line.Fit(columns);
}

std::string PassLine(const PassProgress& pass, size_t name_width, size_t columns) {
  const uint64_t ended = Ended(pass);
  const int filled =
      pass.total() == 0 ? kBarWidth : static_cast<int>(std::min<uint64_t>(kBarWidth, ended * kBarWidth / pass.total()));
  Line line;
  line.Add(0, absl::StrFormat("  %-*s [%s%s] %d/%d", static_cast<int>(name_width), pass.pass().substr(0, name_width),
                              std::string(filled, '#'), std::string(kBarWidth - filled, '-'), ended, pass.total()));
  if (pass.rendered() > 0) line.Add(3, absl::StrCat(pass.rendered(), " rendered"));
  line.Add(5, Tiles(pass.tiles_rendered(), pass.tiles_reused()));
  if (pass.reused() > 0) line.Add(4, absl::StrCat(pass.reused(), " reused"));
  if (pass.running() > 0) line.Add(2, absl::StrCat(pass.running(), " running"));
  if (pass.failed() > 0) line.Add(1, absl::StrCat(pass.failed(), " FAILED"));
  if (pass.rendered() > 0) line.Add(6, absl::StrFormat("%.2f s each", pass.mean_seconds()));
  return line.Fit(columns);
}

// A terminal that was made narrower has broken the lines that no longer fit.
std::string ProgressDisplay::Erase(const Window& window) {
  size_t rows = 0;
  const auto columns = static_cast<size_t>(window.columns);
  for (size_t length : drawn_) rows += std::max<size_t>(1, (length + columns - 1) / columns);
  drawn_.clear();
  rows = std::min(rows, static_cast<size_t>(window.rows - 1));
  return rows == 0 ? "" : absl::StrCat("\r\x1b[", rows, "A\x1b[J");
}

// Once, as soon as it is known; it stays above what is drawn again.
std::string ProgressDisplay::Expected(const JobProgress& progress) {
  if (!progress.has_estimate() || std::exchange(expected_said_, true)) return "";
  return absl::StrCat("time: ", InWords(progress.estimate()), "\n");
}

std::string ProgressDisplay::Update(const JobProgress& progress, std::optional<Window> window) {
  if (!live_ || !window) {
    // Final says how it ended.
    if (progress.state() != JOB_RUNNING && progress.state() != JOB_INSPECTING) return "";
    const std::string expected = Expected(progress);
    if (!expected.empty()) {
      last_plain_seconds_ = progress.seconds();
      return absl::StrCat(expected, Headline(progress, kUnlimited), "\n");
    }
    // A log, not an animation: a line every two seconds is enough.
    if (progress.seconds() - last_plain_seconds_ < 2) return "";
    last_plain_seconds_ = progress.seconds();
    return Headline(progress, kUnlimited) + "\n";
  }
  const size_t columns = Room(window), width = NameWidth(progress, columns);
  std::vector<const PassProgress*> passes;
  for (const PassProgress& p : progress.pass()) passes.push_back(&p);
  // A line for the headline, one for how many are not shown, one for the cursor.
  const size_t room = static_cast<size_t>(std::max(3, window->rows - 3));
  const size_t hidden = passes.size() > room ? passes.size() - room : 0;
  if (hidden > 0) {
    // Passes that move come first when the window is too small for all of them.
    std::stable_sort(passes.begin(), passes.end(),
                     [](const auto* a, const auto* b) { return (a->running() > 0) > (b->running() > 0); });
    passes.resize(room);
  }
  std::vector<std::string> lines = {Headline(progress, columns)};
  for (const PassProgress* p : passes) lines.push_back(PassLine(*p, width, columns));
  if (hidden > 0) lines.push_back(absl::StrCat("  and ", hidden, " more"));
  std::string out = Erase(*window) + Expected(progress);
  for (const std::string& line : lines) {
    absl::StrAppend(&out, line, "\n");
    drawn_.push_back(line.size());
  }
  return out;
}

std::string ProgressDisplay::Final(const JobProgress& progress, std::optional<Window> window) {
  std::string out = live_ && window ? Erase(*window) : "";
  const size_t columns = live_ ? Room(window) : kUnlimited;
  absl::StrAppend(&out, Headline(progress, columns), "\n");
  const size_t width = NameWidth(progress, columns);
  for (const PassProgress& p : progress.pass()) absl::StrAppend(&out, PassLine(p, width, columns), "\n");
  const std::string took = TookInWords(progress);
  if (!took.empty()) absl::StrAppend(&out, took, "\n");
  out += Warnings(progress.warning());
  for (const std::string& problem : progress.problem()) absl::StrAppend(&out, "problem: ", problem, "\n");
  return out;
}

}  // namespace selvage::client
