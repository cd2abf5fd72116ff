#include "client/looking.h"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <atomic>
#include <mutex>
#include <thread>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "client/exit_code.h"
#include "client/language/choices.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Frames asked for at once.
constexpr size_t kAtOnce = 8;

}  // namespace

void LookOptions::Declare(CLI::App* app) {
  app->add_option("--as", as, "How it is shown; see below")
      ->capture_default_str()
      ->type_name("matte|black|checker|plate|background|color|wipe");
  app->add_option("--background", background, "Plate or pass behind it, for --as background")->type_name("NAME");
  app->add_option("--over-mask", outline, "A mask, or another matte, whose outline is drawn over the picture")
      ->type_name("NAME");
  app->add_option("--crop", crop, "Only this part, in pixels from the top left of the format")->type_name("X,Y,W,H");
  app->add_option("--zoom", zoom, "Each pixel as a square with so many on a side")
      ->capture_default_str()
      ->check(CLI::Range(1, 64));
  app->add_option("--stops", stops, "Brighter or darker, for looking only")->capture_default_str();
  app->add_option("--wipe", wipe, "Where the wipe stands, from 0 (left) to 1")->capture_default_str();
  app->add_option("--longest-side", longest_side, "Shrink to this many pixels; 0: full size");
}

absl::StatusOr<LookBox> ParseBox(const std::string& text) {
  const std::vector<std::string> parts = absl::StrSplit(text, ',');
  int32_t n[4] = {};
  bool good = parts.size() == 4;
  for (size_t i = 0; good && i < 4; ++i) good = absl::SimpleAtoi(parts[i], &n[i]);
  if (!good || n[2] < 1 || n[3] < 1) {
    return UsageError(absl::StrCat("--crop ", text, ": it is X,Y,W,H in whole pixels, as in 780,640,200,160"));
  }
  LookBox box;
  box.set_x(n[0]);
  box.set_y(n[1]);
  box.set_width(static_cast<uint32_t>(n[2]));
  box.set_height(static_cast<uint32_t>(n[3]));
  return box;
}

absl::StatusOr<LookPicture> LookOptions::Make() const {
  const auto* shown = FindChoice(LookPicture::As_descriptor(), as);
  if (shown == nullptr) {
    return UsageError(
        absl::StrCat("--as cannot be ", as, absl::AsciiStrToLower(ChoiceHelp(LookPicture::As_descriptor(), as))));
  }
  LookPicture look;
  look.set_as(static_cast<LookPicture::As>(shown->number()));
  look.set_behind(background);
  look.set_outline(outline);
  look.mutable_stops()->set_value(stops);
  look.mutable_wipe()->set_value(wipe);
  look.set_longest_side(longest_side);
  look.set_zoom(zoom);
  if (!crop.empty()) {
    ASSIGN_OR_RETURN(*look.mutable_crop(), ParseBox(crop));
  }
  return look;
}

absl::StatusOr<ReceivedFile> ReceiveLook(const Connection& connection, JobService::Stub& jobs,
                                         const LookRequest& request, const RefuseFaults& refuse) {
  const auto open = [&](grpc::ClientContext* context, uint64_t) { return jobs.Look(context, request); };
  ASSIGN_OR_RETURN(ReceivedFile file, ReceiveFile(connection, open));
  RETURN_IF_ERROR(refuse(file.errors));
  return file;
}

absl::Status ForFrames(const Frames& frames, const std::function<absl::Status(int frame)>& make) {
  std::atomic<int64_t> next{frames.first};
  std::mutex mutex;
  int64_t failed = INT64_MAX;
  absl::Status failure;
  const auto work = [&] {
    while (true) {
      const int64_t frame = next++;
      {
        std::lock_guard<std::mutex> lock(mutex);
        if (frame > frames.last || frame > failed) return;
      }
      const absl::Status status = make(static_cast<int>(frame));
      std::lock_guard<std::mutex> lock(mutex);
      if (status.ok() || frame > failed) continue;
      failed = frame;
      failure = status;
    }
  };
  const size_t count = static_cast<size_t>(std::max<int64_t>(0, int64_t{frames.last} - frames.first + 1));
  std::vector<std::thread> threads;
  for (size_t i = 1; i < std::min(kAtOnce, count); ++i) threads.emplace_back(work);
  work();
  for (std::thread& t : threads) t.join();
  return failure;
}

}  // namespace selvage::client
