#include "client/estimate.h"

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/output.h"

namespace selvage::client {

std::string InWords(const Estimate& estimate) {
  if (estimate.tasks() == 0) return "nothing to render";
  if (estimate.slots() == 0) return "not known: no worker is connected";
  if (!estimate.has_seconds()) return "not known: nothing like it was rendered here yet";
  const std::string on =
      absl::StrCat(Seconds(estimate.seconds()), " on ", estimate.slots(), estimate.slots() == 1 ? " slot" : " slots",
                   estimate.other_size() ? ", from tasks of another size" : "");
  if (estimate.unmeasured() == 0) return "about " + on;
  return absl::StrCat("more than ", on, ": ", estimate.unmeasured(), " of ", estimate.tasks(),
                      " tasks do what was not rendered here yet (", absl::StrJoin(estimate.unmeasured_step(), "; "),
                      ")");
}

std::string TookInWords(const JobProgress& progress) {
  const Estimate& expected = progress.estimate();
  if (!progress.has_estimate() || expected.tasks() == 0 || !expected.has_seconds()) return "";
  return absl::StrCat("took ", Seconds(progress.render_seconds()), ", ",
                      expected.unmeasured() == 0 ? "about " : "more than ", Seconds(expected.seconds()),
                      " were expected");
}

}  // namespace selvage::client
