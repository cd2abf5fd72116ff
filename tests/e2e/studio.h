// A shot on disk, a daemon over it, workers, and the client as an artist types it.
#pragma once

#include <gtest/gtest.h>

#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "proto/job.pb.h"
#include "tests/e2e/process.h"

namespace selvage::e2e {

struct DaemonOptions {
  int local_workers = 2;
  std::string cache_size = "2G";
  // More of its command line.
  std::vector<std::string> more = {};
};

using Files = std::map<std::string, std::string>;
// Names of files that differ or that only one has; "" for none.
std::string Differences(const Files& a, const Files& b);
// An EXR names in its header the result that it was made of; one made anew has a
// new key. These are the same files with that key blanked.
Files WithoutKeys(Files files);

class Studio {
 public:
  // A fresh folder with `frames` frames of a small moving picture before a
  // green screen (plate.1001.exr ...) and a still background (meadow.exr).
  explicit Studio(int frames = 6, int width = 300, int height = 200);
  ~Studio();

  void Start(const DaemonOptions& options = {});
  // Ends it with SIGTERM; its exit code, or -1 if it took longer than 10 s.
  int Stop();
  void KillDaemon() { daemon_.Kill(); }
  Process& daemon() { return daemon_; }
  Process StartWorker(int slots = 1, const std::vector<std::string>& more = {});

  Finished Client(std::vector<std::string> arguments, int seconds = 120) const;
  // Submits and waits; fails the test when the job does not end well.
  JobProgress Submit(const std::string& stack, const std::vector<std::string>& set = {}) const;
  std::string SubmitOnly(const std::string& stack, const std::vector<std::string>& set = {}) const;
  JobProgress WatchToEnd(const std::string& job) const;
  JobProgress Snapshot(const std::string& job) const;
  // Fetches the newest job's files; "comp/comp.1001.exr" -> bytes.
  Files Fetch(const std::string& folder) const;

  std::string folder() const { return folder_.string(); }
  std::string file(const std::string& name) const { return (folder_ / name).string(); }
  std::string WriteStack(const std::string& name, const std::string& text) const;
  std::string server() const { return server_; }
  std::string http() const { return http_; }
  // Where others come in; port 0 if nowhere.
  std::string tls() const { return tls_; }
  std::string log() const { return file("daemon.log"); }

  // Draws (again) the picture of one frame; `shade` changes its bytes.
  void DrawPlate(int frame, float shade = 1) const;

 private:
  std::filesystem::path folder_;
  int frames_, width_, height_;
  Process daemon_;
  std::string server_, http_, tls_;
};

// A stack of seven passes over the studio's plate: degrain, key, mask, despill,
// grade, composite; deliverables "comp" (EXR) and "matte" (EXR).
std::string SmallStack(int frames);

struct Counts {
  uint64_t rendered = 0, reused = 0;
};
Counts Sum(const JobProgress& progress);
Counts OfPass(const JobProgress& progress, const std::string& pass);

}  // namespace selvage::e2e
