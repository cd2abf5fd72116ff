#include "client/saved_file.h"

#include <chrono>
#include <cstdio>
#include <fstream>
#include <optional>
#include <thread>
#include <utility>

#include "client/exit_code.h"
#include "client/language/stack_file.h"

namespace selvage::client {
namespace {

using std::chrono::milliseconds;
using Clock = std::chrono::steady_clock;
constexpr milliseconds kBetweenLooks{200}, kLeftAlone{150}, kLongestWait{2000};

// nullopt if it cannot be read. Larger files are refused wherever they are read as a stack.
std::optional<std::string> Content(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  std::string content(kMaxStackBytes + 1, '\0');
  if (!in.is_open()) return std::nullopt;
  in.read(content.data(), static_cast<std::streamsize>(content.size()));
  if (in.bad()) return std::nullopt;
  content.resize(static_cast<size_t>(in.gcount()));
  return content;
}

}  // namespace

void SavedFile::Remember() {
  if (auto content = Content(path_)) content_ = *std::move(content);
}

bool SavedFile::Changed() const {
  const auto content = Content(path_);
  return content && *content != content_;
}

void SavedFile::AwaitChange() const {
  while (!Changed()) std::this_thread::sleep_for(kBetweenLooks);
  const auto changed = Clock::now();
  auto before = Content(path_);
  while (Clock::now() - changed < kLongestWait) {
    std::this_thread::sleep_for(kLeftAlone);
    auto now = Content(path_);
    if (now && now == before) return;
    before = std::move(now);
  }
}

absl::Status AtEachSave(const std::string& path,
                        const std::function<absl::Status(std::function<bool()> changed)>& once) {
  SavedFile file(path);
  for (;;) {
    // First, so that what is saved from here on is not missed.
    file.Remember();
    const absl::Status status = once([&file] { return file.Changed(); });
    if (ExitCodeOf(status) == kUsage) return status;
    if (!status.ok() && !absl::IsCancelled(status)) {
      std::fprintf(stderr, "%s\n", std::string(status.message()).c_str());
    }
    if (!absl::IsCancelled(status)) {
      std::fprintf(stderr, "waiting for %s to be saved again; Ctrl-C ends this\n", path.c_str());
    }
    file.AwaitChange();
  }
}

}  // namespace selvage::client
