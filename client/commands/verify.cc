// `selvage verify`: are the files of a delivery still what its papers say?
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <chrono>
#include <cstdio>
#include <mutex>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/papers/check_papers.h"
#include "client/papers/papers.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// On a terminal only, a few times a second.
class ReadingProgress {
 public:
  ~ReadingProgress() {
    if (shown_) std::fputs("\r\x1b[K", stderr);
  }
  void Show(size_t done, size_t of) {
    if (!live_) return;
    std::lock_guard<std::mutex> lock(mutex_);
    const auto now = std::chrono::steady_clock::now();
    if (now < next_) return;
    next_ = now + std::chrono::milliseconds(200);
    std::fprintf(stderr, "\r%zu of %zu files read", done, of);
    shown_ = true;
  }

 private:
  const bool live_ = isatty(STDERR_FILENO);
  std::mutex mutex_;
  std::chrono::steady_clock::time_point next_ = std::chrono::steady_clock::now();
  bool shown_ = false;
};

class Verify final : public Command {
 public:
  CommandHelp help() const override {
    return {"verify", Group::kResult, "Hold delivered files against the papers that `fetch --papers` wrote",
            "Every file is read; no daemon is needed. Told of are files that are missing, changed, not to be read,\n"
            "or extra: called like the delivered ones with another number, but not in the papers. --sources reads\n"
            "the plates that they were made from, too, where their paths lead from here. Papers and files may be\n"
            "copied elsewhere together: the papers name files from their own folder on.\n"
            "The exit code is 0 if all is as it was delivered, else 8.\n"
            "  selvage verify comp/comp.papers.json\n"
            "  selvage verify --sources */*.papers.json"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("PAPERS", paths_, "Files that end in .papers.json")->required();
    app->add_flag("--sources", sources_, "Read the source plates, too");
  }

  absl::Status Run(const Globals& globals) override {
    size_t differ = 0;
    JsonArray all;
    // What cannot be read is told before anything is printed.
    for (const std::string& path : paths_) RETURN_IF_ERROR(ReadPapers(path).status());
    for (const std::string& path : paths_) {
      ASSIGN_OR_RETURN(const DeliveryPapers papers, ReadPapers(path));
      PapersCheck check;
      {
        ReadingProgress progress;
        check = CheckPapers(path, papers, sources_, [&](size_t done, size_t of) { progress.Show(done, of); });
      }
      differ += !check.differences.empty();
      if (globals.json) {
        all.Add(JsonOf(path, papers, check));
      } else {
        std::fputs(InWords(path, papers, check).c_str(), stdout);
      }
    }
    if (globals.json) std::printf("%s\n", JsonObject().Add("papers", all.text()).text().c_str());
    if (differ == 0) return absl::OkStatus();
    return DifferenceFound(
        differ == 1 && paths_.size() == 1
            ? "the files are not as they were delivered"
            : absl::StrCat("of ", differ, " of ", paths_.size(), " papers the files are not as they were delivered"));
  }

 private:
  std::vector<std::string> paths_;
  bool sources_ = false;
};
REGISTER_COMMAND(Verify);

}  // namespace
}  // namespace selvage::client
