#include "server/engine/check_outcome.h"

#include <algorithm>
#include <boost/endian/conversion.hpp>
#include <cmath>
#include <optional>

#include "absl/strings/str_cat.h"
#include "cache/manifest.h"
#include "proto/catalogue.h"
#include "proto/ops/internal.pb.h"
#include "proto/status.h"
#include "server/engine/blob.h"
#include "server/engine/task_inputs.h"

namespace selvage {
namespace {

// A task of a month is not one.
constexpr double kMaxSeconds = 30 * 86'400;
constexpr int kMaxSpans = 64;
constexpr size_t kMaxSpanName = 64;
constexpr uint64_t kMaxSpanBytes = uint64_t{1} << 40;
constexpr int kMaxWarnings = 10;
constexpr size_t kMaxWarning = 2000;
// The largest are motion fields: 20 bytes for each cell of 8x8 pixels.
constexpr uint64_t kMaxMeasured = 128 << 20;
constexpr int64_t kCell = 8;
constexpr int kMaxChannels = 4096, kMaxParts = 1024;
constexpr uint32_t kMaxSide = 65'536;

template <class... Parts>
absl::Status Wrong(const Parts&... parts) {
  return absl::InvalidArgumentError(absl::StrCat(parts...));
}

bool IsFinite(float value) { return std::isfinite(value); }

absl::Status CheckSeconds(double seconds) {
  if (seconds >= 0 && seconds <= kMaxSeconds) return absl::OkStatus();
  return Wrong("a task that took ", seconds, " s; allowed are 0 to ", kMaxSeconds);
}

absl::Status CheckMakers(const TaskOutcome& outcome) {
  if (outcome.maker_size() > kMaxMakers) return Wrong(outcome.maker_size(), " makers; at most ", kMaxMakers);
  for (const Maker& m : outcome.maker()) {
    if (m.worker().size() <= kMaxWorkerName && m.worker().find('\0') == std::string::npos) continue;
    return Wrong("the name of a maker is too long or holds a NUL byte");
  }
  return absl::OkStatus();
}

absl::Status CheckWarnings(const TaskOutcome& outcome) {
  if (outcome.warning_size() > kMaxWarnings) return Wrong(outcome.warning_size(), " warnings; at most ", kMaxWarnings);
  for (const std::string& text : outcome.warning()) {
    if (text.size() > kMaxWarning) return Wrong("a warning of ", text.size(), " bytes; at most ", kMaxWarning);
  }
  return absl::OkStatus();
}

// Tile keys: none, or one for each place of the tile grid; of a blob one for all of it.
absl::Status CheckTiles(const TaskOutcome& outcome) {
  const Manifest& m = outcome.manifest();
  const uint64_t places = m.kind() == BLOB ? 1 : static_cast<uint64_t>(TileGrid(m.window()).count());
  if (!outcome.tile_keys().empty() && outcome.tile_keys().size() != places * sizeof Digest::bytes) {
    return Wrong(outcome.tile_keys().size(), " bytes of tile keys; a result of ", places, " tiles has ",
                 places * sizeof Digest::bytes);
  }
  if (uint64_t{outcome.tiles_rendered()} + outcome.tiles_reused() > places) {
    return Wrong(outcome.tiles_rendered(), " tiles rendered and ", outcome.tiles_reused(), " reused of ", places);
  }
  for (size_t i = 0; i < TileCount(m); ++i) {
    const TileRef tile = GetTile(m, i);
    if (tile.constant && !IsFinite(tile.value)) return Wrong("constant tile ", i, " is ", tile.value);
  }
  return absl::OkStatus();
}

// Edges, with room for sums.
struct Box {
  int64_t x0 = 0, y0 = 0, x1 = 0, y1 = 0;
  bool Contains(const Box& o) const { return x0 <= o.x0 && y0 <= o.y0 && o.x1 <= x1 && o.y1 <= y1; }
  void Add(const Box& o) { *this = {std::min(x0, o.x0), std::min(y0, o.y0), std::max(x1, o.x1), std::max(y1, o.y1)}; }
};
Box BoxOf(const Window& w) { return {w.x(), w.y(), int64_t{w.x()} + w.width(), int64_t{w.y()} + w.height()}; }
Box BoxOf(const Format& f) { return {0, 0, f.width(), f.height()}; }
std::string Text(const Box& b) { return absl::StrCat(b.x0, ",", b.y0, " to ", b.x1, ",", b.y1); }

// What is known of the pictures that a task reads.
struct Reads {
  Kind main = KIND_UNSPECIFIED;
  // All of them and the format.
  Box all;
};
absl::StatusOr<Reads> ReadsOf(const plan::PlannedTask& task, const plan::Plan& plan, const Round& round,
                              ResultIndex& index, const std::map<ResultKey, const Manifest*>& handed_in = {}) {
  Reads reads;
  reads.all = BoxOf(plan.format);
  for (const plan::PlannedInput& in : task.inputs) {
    Kind kind = MATTE;
    if (in.result) {
      const auto handed = handed_in.find(*in.result);
      std::vector<std::optional<ResultRecord>> record(1);
      if (handed == handed_in.end()) {
        ASSIGN_OR_RETURN(record, index.Find({&*in.result, 1}));
        // Gone since: then nothing can be said of it, and it is rendered again.
        if (!record.front()) return absl::UnavailableError("a result that the task reads is gone; hand in again");
      }
      const Manifest& manifest = handed == handed_in.end() ? record.front()->manifest : *handed->second;
      kind = manifest.kind();
      if (kind != BLOB) reads.all.Add(BoxOf(manifest.window()));
    } else if (in.plate) {
      kind = KindOf(in.plate->alpha());
      const auto facts = round.facts.find(in.plate->path());
      if (facts != round.facts.end()) {
        reads.all.Add(BoxOf(facts->second.data_window()));
        for (const PlateFacts::Part& part : facts->second.part()) reads.all.Add(BoxOf(part.data_window()));
      }
    }
    if (in.step < 0 || (in.step == 0 && in.port == "in")) reads.main = kind;
  }
  return reads;
}

const Operator* LastOperator(const plan::PlannedTask& task) {
  return task.steps->empty() ? nullptr : OperatorOf(task.steps->back());
}

absl::Status CheckNumbers(const Measurement& m, std::initializer_list<int> counts) {
  if (std::find(counts.begin(), counts.end(), m.values_size()) == counts.end()) {
    return Wrong("a measurement of ", m.values_size(), " numbers");
  }
  if (!std::all_of(m.values().begin(), m.values().end(), IsFinite)) return Wrong("a measurement that is no number");
  return absl::OkStatus();
}

// Cells of two vector fields; see motion_pair.h of the worker for the layout.
absl::Status CheckMotion(const std::string& bytes, const Box& all) {
  constexpr size_t kHeader = 1 + 4 * 4, kBytesACell = 2 * 5 * 2;
  if (bytes.size() < kHeader || bytes[0] != 1) return Wrong("a motion field without its header");
  const auto edge = [&](size_t i) {
    return int64_t{boost::endian::load_little_s32(reinterpret_cast<const unsigned char*>(bytes.data()) + 1 + 4 * i)};
  };
  const Box cells{edge(0), edge(1), edge(2), edge(3)};
  const Box allowed{all.x0 / kCell - 2, all.y0 / kCell - 2, all.x1 / kCell + 2, all.y1 / kCell + 2};
  if (cells.x1 < cells.x0 || cells.y1 < cells.y0 || !allowed.Contains(cells)) {
    return Wrong("a motion field of the cells ", Text(cells), " for a picture ", Text(all));
  }
  const uint64_t count = static_cast<uint64_t>(cells.x1 - cells.x0) * static_cast<uint64_t>(cells.y1 - cells.y0);
  if (bytes.size() == kHeader + kBytesACell * count) return absl::OkStatus();
  return Wrong("a motion field of ", bytes.size(), " bytes for ", count, " cells");
}

absl::Status CheckSameShape(const Outline& carried, const Outline& from) {
  if (carried.path_size() != from.path_size()) {
    return Wrong("an outline of ", carried.path_size(), " paths carried from one of ", from.path_size());
  }
  for (int i = 0; i < carried.path_size(); ++i) {
    const auto& xy = carried.path(i).xy();
    if (xy.size() != from.path(i).xy_size()) {
      return Wrong("path ", i, " has ", xy.size(), " numbers, carried from one of ", from.path(i).xy_size());
    }
    if (!std::all_of(xy.begin(), xy.end(), [](double v) { return std::isfinite(v); })) {
      return Wrong("path ", i, " has a point that is no number");
    }
  }
  return absl::OkStatus();
}

// The shape that a task carries on: as drawn, or as its neighbour has it.
absl::StatusOr<Outline> CarriedFrom(const plan::PlannedTask& task, ResultIndex& index, TileStore& tiles) {
  for (const plan::PlannedInput& in : task.inputs) {
    if (in.port != "from" || !in.result) continue;
    ASSIGN_OR_RETURN(const auto record, index.Find({&*in.result, 1}));
    if (!record.front()) return absl::UnavailableError("the shape that it is carried from is gone; hand in again");
    ASSIGN_OR_RETURN(const std::string bytes, ReadBlob(record.front()->manifest, tiles));
    Measurement from;
    if (!from.ParseFromString(bytes)) return absl::UnavailableError("the shape that it is carried from is damaged");
    return from.outline();
  }
  return task.steps->back().carry_points().drawn();
}

absl::Status CheckSurvey(const std::string& bytes) {
  PlateSurvey s;
  if (!s.ParseFromString(bytes)) return Wrong("a survey that cannot be read");
  const uint64_t cells = uint64_t{s.columns()} * s.rows();
  const auto count = [](int n) { return static_cast<uint64_t>(n); };
  const bool fits = !s.screen_found() || (s.screen_size() == 3 && count(s.bare_size()) == cells &&
                                          count(s.roughness_size()) == cells && count(s.mean_size()) == 3 * cells);
  if (!fits) return Wrong("a survey whose lists don't have a number for each of its ", cells, " cells");
  for (const auto* list : {&s.screen(), &s.bare(), &s.roughness(), &s.mean()}) {
    if (!std::all_of(list->begin(), list->end(), IsFinite)) return Wrong("a survey with what is no number");
  }
  return absl::OkStatus();
}

}  // namespace

absl::Status CheckFacts(const TaskOutcome& outcome) {
  const PlateFacts& f = outcome.facts();
  RETURN_IF_ERROR(CheckSeconds(outcome.seconds()));
  RETURN_IF_ERROR(CheckSpans(outcome));
  if (f.digest().size() != sizeof Digest::bytes) return Wrong("the digest of a plate must have 32 bytes");
  for (const uint32_t side :
       {f.format().width(), f.format().height(), f.data_window().width(), f.data_window().height()}) {
    if (side < 1 || side > kMaxSide) return Wrong("a plate with a side of ", side, " pixels");
  }
  if (f.part_size() > kMaxParts) return Wrong("a plate of ", f.part_size(), " parts");
  for (const PlateFacts::Part& part : f.part()) {
    if (part.channel_size() > kMaxChannels) return Wrong("a plate of ", part.channel_size(), " channels");
  }
  return absl::OkStatus();
}

absl::Status CheckSpans(const TaskOutcome& outcome) {
  if (outcome.span_size() > kMaxSpans) return Wrong(outcome.span_size(), " spans; at most ", kMaxSpans);
  constexpr auto kMaxMicroseconds = static_cast<uint64_t>(kMaxSeconds * 1e6);
  uint64_t last = 0;
  for (const Span& span : outcome.span()) {
    const std::string& what = span.what();
    const bool readable = std::all_of(what.begin(), what.end(), [](char c) { return c >= ' ' && c <= '~'; });
    if (what.empty() || what.size() > kMaxSpanName || !readable) {
      return Wrong("a span whose name is not one of 1 to ", kMaxSpanName, " letters, digits and signs");
    }
    if (span.start_us() < last || span.start_us() > kMaxMicroseconds || span.length_us() > kMaxMicroseconds) {
      return Wrong("the span ", what, " from ", span.start_us(), " us on for ", span.length_us(),
                   " us; spans come in order of their start, and none lasts beyond ", kMaxSeconds, " s");
    }
    if (span.bytes() > kMaxSpanBytes) return Wrong("the span ", what, " of ", span.bytes(), " bytes");
    last = span.start_us();
  }
  return absl::OkStatus();
}

absl::Status CheckManifestOutcome(const TaskOutcome& outcome) {
  RETURN_IF_ERROR(ValidateManifest(outcome.manifest()));
  RETURN_IF_ERROR(CheckSeconds(outcome.seconds()));
  RETURN_IF_ERROR(CheckMakers(outcome));
  RETURN_IF_ERROR(CheckWarnings(outcome));
  RETURN_IF_ERROR(CheckSpans(outcome));
  return CheckTiles(outcome);
}

absl::Status CheckAgainstTask(const TaskOutcome& outcome, const plan::PlannedTask& task, const plan::Plan& plan,
                              const Round& round, ResultIndex& index,
                              const std::map<ResultKey, const Manifest*>& handed_in) {
  const Manifest& m = outcome.manifest();
  ASSIGN_OR_RETURN(const Reads reads, ReadsOf(task, plan, round, index, handed_in));
  Kind kind = reads.main;
  for (const Step& step : *task.steps) kind = KindAfter(step, kind);
  if (m.kind() != kind) return Wrong("the result is ", KindName(m.kind()), ", the task makes ", KindName(kind));
  if (kind == BLOB) return absl::OkStatus();
  const Operator* op = LastOperator(task);
  if (m.full_precision() != (op != nullptr && op->traits.full_precision())) {
    return Wrong("the result is of ", m.full_precision() ? "32" : "16", " bits a sample, the task makes others");
  }
  // Every picture covers the format, and none goes beyond what it is made from.
  const Box window = BoxOf(m.window());
  if (window.Contains(BoxOf(plan.format)) && reads.all.Contains(window)) return absl::OkStatus();
  return Wrong("the result covers ", Text(window), "; it must cover the format, ", Text(BoxOf(plan.format)),
               ", and nothing beyond ", Text(reads.all));
}

absl::Status CheckBlob(const Manifest& manifest, const plan::PlannedTask& task, const plan::Plan& plan,
                       const Round& round, ResultIndex& index, TileStore& tiles) {
  if (manifest.kind() != BLOB || task.steps->empty()) return absl::OkStatus();
  const Step step = task.steps->back();
  const bool file = step.has_deliver_file() || step.has_look_picture();
  if (file) return manifest.blob_size() > 0 ? absl::OkStatus() : Wrong("a file of no bytes");
  if (manifest.blob_size() > kMaxMeasured) return Wrong("measured numbers of ", manifest.blob_size(), " bytes");
  ASSIGN_OR_RETURN(const std::string bytes, ReadBlob(manifest, tiles));
  if (step.has_survey_plate()) return CheckSurvey(bytes);
  if (step.has_measure_matte()) {
    return MatteFigures().ParseFromString(bytes) ? absl::OkStatus() : Wrong("figures that cannot be read");
  }
  Measurement m;
  if (!m.ParseFromString(bytes)) return Wrong("a measurement that cannot be read");
  if (step.has_sample_color()) return CheckNumbers(m, {1, 3, 4});
  if (step.has_noise_profile()) return CheckNumbers(m, {3 + 3 + 3 * 64});
  if (step.has_motion_field()) {
    ASSIGN_OR_RETURN(const Reads reads, ReadsOf(task, plan, round, index));
    return CheckMotion(m.motion(), reads.all);
  }
  if (step.has_carry_points()) {
    ASSIGN_OR_RETURN(const Outline from, CarriedFrom(task, index, tiles));
    return CheckSameShape(m.outline(), from);
  }
  return absl::OkStatus();
}

}  // namespace selvage
