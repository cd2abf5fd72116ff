#include "client/progress.h"

#include <algorithm>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/output.h"

namespace selvage::client {
namespace {

constexpr int kBarWidth = 16;

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

// "  12 of 480 tiles", where some were taken over as they were.
std::string Tiles(uint64_t rendered, uint64_t reused) {
  return reused == 0 ? "" : absl::StrCat("  ", rendered, " of ", rendered + reused, " tiles");
}

std::string Headline(const JobProgress& progress) {
  const Sums s = Sum(progress);
  const uint64_t ended = s.rendered + s.reused + s.failed;
  std::string text = absl::StrFormat("%s  %s  %d of %d tasks  %d rendered  %d reused", progress.stack_name(),
                                     StateName(progress.state()), ended, s.total, s.rendered, s.reused);
  absl::StrAppend(&text, Tiles(s.tiles_rendered, s.tiles_reused));
  if (s.failed > 0) absl::StrAppend(&text, "  ", s.failed, " failed");
  absl::StrAppend(&text, "  ", Seconds(progress.seconds()));
  const bool open = progress.state() == JOB_RUNNING || progress.state() == JOB_INSPECTING;
  if (open && s.rendered > 0 && progress.seconds() > 0.5) {
    absl::StrAppend(&text, absl::StrFormat("  %.1f/s", static_cast<double>(s.rendered) / progress.seconds()));
  }
  if (open && progress.seconds_left() > 0) absl::StrAppend(&text, "  ", Seconds(progress.seconds_left()), " left");
  if (open && progress.workers() == 0) absl::StrAppend(&text, "  waiting: no worker is connected");
  return text;
}

size_t NameWidth(const JobProgress& progress) {
  size_t width = 8;
  for (const PassProgress& p : progress.pass()) width = std::max(width, p.pass().size());
  return std::min<size_t>(width, 32);
}

}  // namespace

std::string PassLine(const PassProgress& pass, size_t name_width) {
  const uint64_t ended = Ended(pass);
  const int filled = pass.total() == 0 ? kBarWidth : static_cast<int>(ended * kBarWidth / pass.total());
  std::string text =
      absl::StrFormat("  %-*s [%s%s] %d/%d", static_cast<int>(name_width), pass.pass(), std::string(filled, '#'),
                      std::string(kBarWidth - filled, '-'), ended, pass.total());
  if (pass.rendered() > 0) absl::StrAppend(&text, "  ", pass.rendered(), " rendered");
  text += Tiles(pass.tiles_rendered(), pass.tiles_reused());
  if (pass.reused() > 0) absl::StrAppend(&text, "  ", pass.reused(), " reused");
  if (pass.running() > 0) absl::StrAppend(&text, "  ", pass.running(), " running");
  if (pass.failed() > 0) absl::StrAppend(&text, "  ", pass.failed(), " FAILED");
  if (pass.rendered() > 0) absl::StrAppend(&text, absl::StrFormat("  %.2f s each", pass.mean_seconds()));
  return text;
}

ProgressDisplay::ProgressDisplay(bool live, int rows, int columns) : live_(live), rows_(rows), columns_(columns) {}

std::string ProgressDisplay::Live(const JobProgress& progress) {
  std::vector<std::string> lines = {Headline(progress)};
  const size_t width = NameWidth(progress);
  // Passes that move come first when the window is too small for all of them.
  std::vector<const PassProgress*> passes;
  for (const PassProgress& p : progress.pass()) passes.push_back(&p);
  const size_t room = static_cast<size_t>(std::max(3, rows_ - 2));
  if (passes.size() > room) {
    std::stable_sort(passes.begin(), passes.end(),
                     [](const auto* a, const auto* b) { return (a->running() > 0) > (b->running() > 0); });
    passes.resize(room);
  }
  for (const PassProgress* p : passes) lines.push_back(PassLine(*p, width));
  std::string out;
  if (drawn_lines_ > 0) absl::StrAppend(&out, "\x1b[", drawn_lines_, "A");
  for (std::string& line : lines) {
    if (line.size() >= static_cast<size_t>(columns_)) line.resize(columns_ - 1);
    absl::StrAppend(&out, "\x1b[2K", line, "\n");
  }
  out += "\x1b[J";
  drawn_lines_ = static_cast<int>(lines.size());
  return out;
}

std::string ProgressDisplay::Update(const JobProgress& progress) {
  if (live_) return Live(progress);
  // Final says how it ended.
  if (progress.state() != JOB_RUNNING && progress.state() != JOB_INSPECTING) return "";
  // A log, not an animation: a line every two seconds is enough.
  if (progress.seconds() - last_plain_seconds_ < 2) return "";
  last_plain_seconds_ = progress.seconds();
  return Headline(progress) + "\n";
}

std::string ProgressDisplay::Final(const JobProgress& progress) {
  std::string out;
  if (live_) {
    out = Live(progress);
  } else {
    out = Headline(progress) + "\n";
    const size_t width = NameWidth(progress);
    for (const PassProgress& p : progress.pass()) absl::StrAppend(&out, PassLine(p, width), "\n");
  }
  out += Warnings(progress.warning());
  for (const std::string& problem : progress.problem()) absl::StrAppend(&out, "problem: ", problem, "\n");
  return out;
}

}  // namespace selvage::client
