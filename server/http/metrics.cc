#include "server/http/metrics.h"

#include <unistd.h>

#include <fstream>

#include "absl/strings/str_cat.h"

namespace selvage {

namespace {

void Add(std::string* page, const char* name, const char* type, const char* help, uint64_t value) {
  absl::StrAppend(page, "# HELP ", name, " ", help, "\n# TYPE ", name, " ", type, "\n", name, " ", value, "\n");
}

}  // namespace

uint64_t ResidentBytes() {
  std::ifstream file("/proc/self/statm");
  uint64_t total = 0, resident = 0;
  file >> total >> resident;
  return resident * static_cast<uint64_t>(::sysconf(_SC_PAGESIZE));
}

std::string MetricsPage(const EngineStats& s) {
  std::string page = "# HELP selvage_tasks Tasks of live jobs by state.\n# TYPE selvage_tasks gauge\n";
  // States as people know them: the two that are only ours belong to a neighbour.
  using sched::TaskState;
  const auto n = [&](TaskState t) { return s.tasks[static_cast<size_t>(t)]; };
  const std::pair<const char*, uint64_t> states[] = {
      {"not_needed", n(TaskState::kIdle)},
      {"blocked", n(TaskState::kBlocked)},
      {"ready", n(TaskState::kAsked) + n(TaskState::kReady)},
      {"leased", n(TaskState::kLeased) + n(TaskState::kCommitting)},
      {"done", n(TaskState::kDone)},
      {"failed", n(TaskState::kFailed)},
      {"abandoned", n(TaskState::kAbandoned)},
  };
  for (const auto& [name, count] : states) absl::StrAppend(&page, "selvage_tasks{state=\"", name, "\"} ", count, "\n");
  Add(&page, "selvage_results_rendered_total", "counter", "Results rendered and committed since the start.",
      s.rendered);
  Add(&page, "selvage_results_reused_total", "counter", "Results taken from the cache since the start.", s.reused);
  Add(&page, "selvage_tiles_rendered_total", "counter", "Tiles of those results that were rendered.", s.tiles_rendered);
  Add(&page, "selvage_tiles_reused_total", "counter", "Tiles of those results that were reused as they were.",
      s.tiles_reused);
  Add(&page, "selvage_tasks_failed_total", "counter", "Tasks that failed or were abandoned since the start.", s.failed);
  Add(&page, "selvage_leases_expired_total", "counter", "Leases that ended without a result.", s.expired_leases);
  Add(&page, "selvage_hedges_total", "counter", "Late tasks given to a second worker.", s.hedges);
  Add(&page, "selvage_different_pixels_total", "counter", "Results that two workers made differently; should be 0.",
      s.different_pixels);
  Add(&page, "selvage_results_refused_total", "counter", "Results that were not what their tasks asked for.",
      s.refused);
  Add(&page, "selvage_cache_hits_total", "counter", "Results found when jobs were planned.", s.hits);
  Add(&page, "selvage_cache_misses_total", "counter", "Results not found when jobs were planned.", s.misses);
  Add(&page, "selvage_cache_damaged_total", "counter", "Tiles that did not match their digest.", s.cache.damaged);
  Add(&page, "selvage_cache_evicted_total", "counter", "Results evicted.", s.cache.evicted);
  Add(&page, "selvage_cache_bytes", "gauge", "Bytes in the cache.", s.cache.bytes);
  Add(&page, "selvage_cache_budget_bytes", "gauge", "Bytes the cache may take.", s.cache.budget_bytes);
  Add(&page, "selvage_cache_results", "gauge", "Results in the cache.", s.cache.results);
  Add(&page, "selvage_cache_tiles", "gauge", "Tiles in the cache.", s.cache.tiles);
  Add(&page, "selvage_workers", "gauge", "Connected workers.", s.workers);
  Add(&page, "selvage_worker_slots", "gauge", "Tasks that connected workers can run side by side.", s.slots);
  Add(&page, "selvage_wanted_slots", "gauge",
      "Slots that what runs and is ready now is worth; see selvage workers --want.", s.wanted_slots);
  Add(&page, "selvage_jobs", "gauge", "Jobs that are not over.", s.live_jobs);
  Add(&page, "selvage_resident_bytes", "gauge", "Resident memory of the daemon.", ResidentBytes());
  return page;
}

}  // namespace selvage
