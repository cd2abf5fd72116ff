#include "client/loom/answers.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "absl/strings/str_cat.h"
#include "client/svg/outline.h"
#include "proto/status.h"
#include "proto/svg_path.h"

namespace selvage::client {
namespace {

template <class Frames>
void WriteFrames(const Frames& frames, JsonWriter* out) {
  out->Key("frame").Array();
  for (const int frame : frames) out->Whole(frame);
  out->EndArray();
}

template <class Reasons>
void WriteReasons(const Reasons& reasons, JsonWriter* out) {
  out->Key("reason").Array();
  for (const PlanReason& r : reasons) {
    out->Object().Text("text", r.text()).Text("pass", r.pass()).Bool("reused", r.reused());
    WriteFrames(r.frame(), out);
    out->EndObject();
  }
  out->EndArray();
}

}  // namespace

const char* JobWord(JobState state) {
  switch (state) {
    case JOB_INSPECTING:
      return "inspecting";
    case JOB_RUNNING:
      return "running";
    case JOB_DONE:
      return "done";
    case JOB_FAILED:
      return "failed";
    case JOB_CANCELLED:
      return "cancelled";
    default:
      return "";
  }
}

void WriteJob(const JobProgress& job, bool with_passes, JsonWriter* out) {
  out->Object().Text("job_id", job.job_id()).Text("stack_name", job.stack_name()).Text("owner", job.owner());
  out->Text("state", JobWord(job.state())).Number("seconds", job.seconds());
  out->Number("seconds_left", job.seconds_left()).Whole("workers", job.workers());
  out->Whole("submitted_unix_ms", job.submitted_unix_ms()).Whole("ended_unix_ms", job.ended_unix_ms());
  if (with_passes) {
    out->Key("pass").Array();
    for (const PassProgress& p : job.pass()) {
      out->Object().Text("pass", p.pass()).Whole("total", static_cast<int64_t>(p.total()));
      out->Whole("rendered", static_cast<int64_t>(p.rendered())).Whole("reused", static_cast<int64_t>(p.reused()));
      out->Whole("running", static_cast<int64_t>(p.running())).Whole("failed", static_cast<int64_t>(p.failed()));
      out->Number("mean_seconds", p.mean_seconds()).Whole("tiles_rendered", static_cast<int64_t>(p.tiles_rendered()));
      out->Whole("tiles_reused", static_cast<int64_t>(p.tiles_reused())).EndObject();
    }
    out->EndArray();
  }
  out->Key("problem").Array();
  for (const std::string& problem : job.problem()) out->Text(problem);
  out->EndArray().Key("error").Array();
  for (const StackError& e : job.error()) out->Object().Text("path", e.path()).Text("message", e.message()).EndObject();
  out->EndArray().Key("warning").Array();
  for (const JobWarning& w : job.warning()) {
    out->Object().Text("pass", w.pass()).Text("text", w.text());
    WriteFrames(w.frame(), out);
    out->EndObject();
  }
  out->EndArray().EndObject();
}

std::string JobsJson(const ListJobsReply& jobs) {
  JsonWriter out;
  out.Object().Key("jobs").Array();
  for (const JobProgress& job : jobs.job()) WriteJob(job, false, &out);
  return out.EndArray().EndObject().Take();
}

std::string PlanJson(const PlanReply& plan) {
  JsonWriter out;
  out.Object().Key("pass").Array();
  for (const PassPlan& p : plan.pass()) {
    out.Object().Text("pass", p.pass()).Whole("total", static_cast<int64_t>(p.total()));
    out.Whole("render", static_cast<int64_t>(p.render())).Whole("reuse", static_cast<int64_t>(p.reuse()));
    WriteReasons(p.reason(), &out);
    out.EndObject();
  }
  return out.EndArray().EndObject().Take();
}

std::string CachedJson(const std::string& pass, const WhyReply& why) {
  // Frames with what is said of them, neighbours together.
  std::map<int, const PlanReason*> by_frame;
  for (const PlanReason& reason : why.reason()) {
    for (const int frame : reason.frame()) by_frame[frame] = &reason;
  }
  JsonWriter out;
  out.Object().Text("pass", pass).Key("frames").Array();
  for (auto i = by_frame.begin(); i != by_frame.end();) {
    const int first = i->first;
    const PlanReason* reason = i->second;
    int last = first;
    for (++i; i != by_frame.end() && i->first == last + 1 && i->second == reason; ++i) last = i->first;
    out.Object().Whole("first", first).Whole("last", last).Bool("held", reason->reused());
    out.Text("why", reason->text()).Text("from", reason->pass()).EndObject();
  }
  return out.EndArray().EndObject().Take();
}

std::string WorkersJson(const WorkersReply& workers) {
  JsonWriter out;
  out.Object().Key("worker").Array();
  for (const auto& w : workers.worker()) {
    out.Object().Text("worker_id", w.worker_id()).Text("name", w.name()).Whole("slots", w.slots());
    out.Whole("running", w.running()).Whole("done", static_cast<int64_t>(w.done()));
    out.Number("seconds_since_report", w.seconds_since_report()).Bool("draining", w.draining()).EndObject();
  }
  return out.EndArray().EndObject().Take();
}

std::string CacheJson(const CacheInfoReply& cache) {
  JsonWriter out;
  const auto whole = [&](const char* name, uint64_t v) { out.Whole(name, static_cast<int64_t>(v)); };
  out.Object();
  whole("results", cache.results());
  whole("tiles", cache.tiles());
  whole("bytes", cache.bytes());
  whole("budget_bytes", cache.budget_bytes());
  whole("hits", cache.hits());
  whole("misses", cache.misses());
  whole("damaged", cache.damaged());
  out.Key("pass").Array();
  for (const auto& p : cache.pass()) {
    out.Object().Text("pass", p.pass());
    whole("frames", p.frames());
    whole("bytes", p.bytes());
    out.Number("seconds_saved", p.seconds_saved()).Number("render_seconds", p.render_seconds());
    out.Text("keep", Pass::Keep_Name(p.keep())).EndObject();
  }
  return out.EndArray().EndObject().Take();
}

absl::StatusOr<std::string> CurvesJson(const Stack& stack, const std::string& name, int frame) {
  int index = 0;
  while (index < stack.mask_size() && stack.mask(index).name() != name) ++index;
  if (index == stack.mask_size()) return absl::NotFoundError(absl::StrCat("the stack has no mask \"", name, "\""));
  const Mask& mask = stack.mask(index);
  JsonWriter out;
  out.Object().Text("mask", name).Whole("frame", frame).Text("follow", mask.follow().picture()).Key("track").Object();
  const Mask::Track& track = mask.track();
  out.Number("x", NumberAt(track.x(), frame, 0)).Number("y", NumberAt(track.y(), frame, 0));
  out.Number("rotate", NumberAt(track.rotate(), frame, 0)).Number("scale", NumberAt(track.scale(), frame, 1));
  out.Number("pivot_x", track.pivot_x()).Number("pivot_y", track.pivot_y()).EndObject().Key("shapes").Array();
  for (int i = 0; i < mask.shape_size(); ++i) {
    const Mask::Shape& shape = mask.shape(i);
    const std::string path = absl::StrCat("mask[", index, "].shape[", i, "]");
    const absl::StatusOr<SvgPath> outline = OutlineAt(shape, frame, mask.has_follow());
    const bool key =
        std::any_of(shape.at().begin(), shape.at().end(), [&](const auto& k) { return k.frame() == frame; });
    out.Object().Text("path", path).Key("key_frames").Array();
    for (const auto& k : shape.at()) out.Whole(k.frame());
    out.EndArray().Bool("key", key).Bool("known", outline.ok() && (!mask.has_follow() || key));
    out.Bool("subtract", shape.subtract()).Number("feather", NumberAt(shape.feather(), frame, 0));
    out.Number("opacity", NumberAt(shape.opacity(), frame, 1));
    out.Text("fault", outline.ok() ? "" : outline.status().message()).Key("curves").Array();
    if (outline.ok()) {
      for (const SubPath& sub : outline->sub_paths) {
        out.Array();
        for (const double v : sub.xy) out.Number(v);
        out.EndArray();
      }
    }
    out.EndArray().EndObject();
  }
  return out.EndArray().EndObject().Take();
}

HttpAnswer JsonAnswer(std::string body) {
  HttpAnswer answer;
  answer.body = std::move(body);
  return answer;
}

HttpAnswer ErrorAnswer(const absl::Status& status) {
  const auto code = [&] {
    switch (status.code()) {
      case absl::StatusCode::kAborted:
        return 409;
      case absl::StatusCode::kFailedPrecondition:
      case absl::StatusCode::kPermissionDenied:
        return 423;
      case absl::StatusCode::kUnauthenticated:
        return 403;
      case absl::StatusCode::kUnavailable:
      case absl::StatusCode::kDeadlineExceeded:
        return 503;
      case absl::StatusCode::kResourceExhausted:
        return 429;
      case absl::StatusCode::kInvalidArgument:
      case absl::StatusCode::kNotFound:
      case absl::StatusCode::kOutOfRange:
        return 422;
      default:
        return 500;
    }
  }();
  const std::vector<Fault> faults = FaultsOf(status);
  if (faults.empty()) return ErrorAnswer(code, std::string(status.message()));
  HttpAnswer answer;
  answer.status = code;
  JsonWriter out;
  out.Object().Key("error").Array();
  for (const Fault& f : faults) {
    out.Object().Text("message", f.message);
    if (f.line > 0) out.Whole("line", f.line).Whole("column", f.column);
    if (!f.path.empty()) out.Text("path", f.path);
    out.EndObject();
  }
  answer.body = out.EndArray().EndObject().Take();
  return answer;
}

HttpAnswer FaultsAnswer(const Document& document, const google::protobuf::RepeatedPtrField<StackError>& errors) {
  HttpAnswer answer;
  answer.status = 422;
  JsonWriter out;
  out.Object().Key("error");
  document.WriteFaults(document.FaultsFrom(errors), &out);
  answer.body = out.EndObject().Take();
  return answer;
}

}  // namespace selvage::client
