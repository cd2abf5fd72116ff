#include "server/http/metrics.h"

#include <prometheus/text_serializer.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <limits>
#include <utility>
#include <vector>

#include "proto/version.h"

namespace selvage {

namespace {

using prometheus::ClientMetric;
using prometheus::MetricFamily;
using prometheus::MetricType;
using Labels = std::vector<ClientMetric::Label>;

// A page that is being written: families, each with its lines.
class Page {
 public:
  void Counter(const char* name, const char* help, double value) {
    Begin(name, help, MetricType::Counter), Line(value);
  }
  void Gauge(const char* name, const char* help, double value) { Begin(name, help, MetricType::Gauge), Line(value); }

  // Then a Line for each of its labels' values.
  void Begin(const char* name, const char* help, MetricType type) {
    families_.push_back({.name = name, .help = help, .type = type, .metric = {}});
  }
  void Line(double value, Labels labels = {}) {
    MetricFamily& family = families_.back();
    ClientMetric& line = family.metric.emplace_back();
    line.label = std::move(labels);
    (family.type == MetricType::Counter ? line.counter.value : line.gauge.value) = value;
  }
  void Line(const Durations& durations, Labels labels) {
    ClientMetric& line = families_.back().metric.emplace_back();
    line.label = std::move(labels);
    uint64_t so_far = 0;
    for (size_t i = 0; i < durations.count.size(); ++i) {
      so_far += durations.count[i];
      const bool last = i == Durations::kAtMost.size();
      line.histogram.bucket.push_back({so_far, last ? std::numeric_limits<double>::infinity() : Durations::kAtMost[i]});
    }
    line.histogram.sample_count = so_far;
    line.histogram.sample_sum = durations.sum;
  }

  std::string Text() const { return prometheus::TextSerializer().Serialize(families_); }

 private:
  std::vector<MetricFamily> families_;
};

// States as people know them: the two that are only ours belong to a neighbour.
void AddTasks(const EngineStats& s, Page* page) {
  using sched::TaskState;
  const auto n = [&](TaskState t) { return static_cast<double>(s.tasks[static_cast<size_t>(t)]); };
  page->Begin("selvage_tasks", "Tasks of live jobs by state.", MetricType::Gauge);
  page->Line(n(TaskState::kIdle), {{"state", "not_needed"}});
  page->Line(n(TaskState::kBlocked), {{"state", "blocked"}});
  page->Line(n(TaskState::kAsked) + n(TaskState::kReady), {{"state", "ready"}});
  page->Line(n(TaskState::kLeased) + n(TaskState::kCommitting), {{"state", "leased"}});
  page->Line(n(TaskState::kDone), {{"state", "done"}});
  page->Line(n(TaskState::kFailed), {{"state", "failed"}});
  page->Line(n(TaskState::kAbandoned), {{"state", "abandoned"}});
}

// What is slow: by operator, since chains of light ones are rendered as one.
void AddSteps(const EngineStats& s, Page* page) {
  page->Begin("selvage_step_seconds_total", "Workers' time since the start, by what was rendered.",
              MetricType::Counter);
  for (const auto& [step, of] : s.steps) page->Line(of.seconds, {{"step", step}});
  page->Begin("selvage_step_tasks_total", "Tasks rendered since the start, by what was rendered.", MetricType::Counter);
  for (const auto& [step, of] : s.steps) page->Line(static_cast<double>(of.tasks), {{"step", step}});
}

void AddJobs(const EngineStats& s, Page* page) {
  page->Gauge("selvage_jobs", "Jobs that are not over.", s.live_jobs);
  page->Begin("selvage_job_seconds", "From submission to end of the jobs that ended since the start.",
              MetricType::Histogram);
  page->Line(s.jobs_ended.done, {{"state", "done"}});
  page->Line(s.jobs_ended.failed, {{"state", "failed"}});
  page->Line(s.jobs_ended.cancelled, {{"state", "cancelled"}});
}

void AddResults(const EngineStats& s, Page* page) {
  page->Counter("selvage_results_rendered_total", "Results rendered and committed since the start.", s.rendered);
  page->Counter("selvage_results_reused_total", "Results taken from the cache since the start.", s.reused);
  page->Counter("selvage_tiles_rendered_total", "Tiles of those results that were rendered.", s.tiles_rendered);
  page->Counter("selvage_tiles_reused_total", "Tiles of those results that were reused as they were.", s.tiles_reused);
  page->Counter("selvage_tasks_failed_total", "Tasks that failed or were abandoned since the start.", s.failed);
  page->Counter("selvage_setbacks_total", "Attempts of tasks that came to nothing and were made again.", s.setbacks);
  page->Counter("selvage_leases_expired_total", "Leases that ended without a result.", s.expired_leases);
  page->Counter("selvage_hedges_total", "Late tasks given to a second worker.", s.hedges);
  page->Counter("selvage_different_pixels_total", "Results that two workers made differently; should be 0.",
                s.different_pixels);
  page->Counter("selvage_results_refused_total", "Results that were not what their tasks asked for.", s.refused);
}

void AddCache(const EngineStats& s, Page* page) {
  page->Counter("selvage_cache_hits_total", "Results found when jobs were planned.", s.hits);
  page->Counter("selvage_cache_misses_total", "Results not found when jobs were planned.", s.misses);
  page->Counter("selvage_cache_damaged_total", "Tiles that did not match their digest.", s.cache.damaged);
  page->Counter("selvage_cache_evicted_total", "Results evicted.", s.cache.evicted);
  page->Gauge("selvage_cache_bytes", "Bytes in the cache.", s.cache.bytes);
  page->Gauge("selvage_cache_budget_bytes", "Bytes the cache may take.", s.cache.budget_bytes);
  page->Gauge("selvage_cache_full", "1 while the cache takes no new tiles.", s.cache.full);
  page->Gauge("selvage_cache_results", "Results in the cache.", s.cache.results);
  page->Gauge("selvage_cache_tiles", "Tiles in the cache.", s.cache.tiles);
}

void AddWorkers(const EngineStats& s, Page* page) {
  page->Gauge("selvage_workers", "Connected workers.", s.workers);
  page->Gauge("selvage_worker_slots", "Tasks that connected workers can run side by side.", s.slots);
  page->Gauge("selvage_wanted_slots", "Slots that what runs and is ready now is worth; see selvage workers --want.",
              s.wanted_slots);
}

}  // namespace

uint64_t ResidentBytes() {
  std::ifstream file("/proc/self/statm");
  uint64_t total = 0, resident = 0;
  file >> total >> resident;
  return resident * static_cast<uint64_t>(::sysconf(_SC_PAGESIZE));
}

std::string MetricsPage(const EngineStats& s, const Process& process) {
  Page page;
  page.Begin("selvage_build_info", "Always 1; what runs.", MetricType::Gauge);
  page.Line(1, {{"version", kVersion}});
  AddJobs(s, &page);
  AddTasks(s, &page);
  AddWorkers(s, &page);
  AddResults(s, &page);
  AddSteps(s, &page);
  AddCache(s, &page);
  std::error_code error;
  const auto space = std::filesystem::space(process.state, error);
  if (!error) {
    page.Gauge("selvage_state_free_bytes", "Room that is left on the disk of the state folder.", space.available);
  }
  page.Gauge("selvage_resident_bytes", "Resident memory of the daemon.", ResidentBytes());
  page.Gauge("selvage_start_time_seconds", "When the daemon was started, in seconds since 1970.",
             process.started_unix_s);
  return page.Text();
}

}  // namespace selvage
