#include "client/ask_many.h"

#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <cstdio>
#include <mutex>
#include <thread>
#include <vector>

namespace selvage::client {
namespace {

// Asked for at once: two a slot, so that none waits for the next request.
constexpr uint32_t kFewestAtOnce = 4, kMostAtOnce = 64;

uint32_t AtOnce(Connection& connection) {
  WorkersReply reply;
  auto context = connection.Call();
  uint32_t slots = 0;
  if (connection.jobs().Workers(context.get(), WorkersRequest(), &reply).ok()) {
    for (const auto& w : reply.worker()) slots += w.slots();
  }
  return std::clamp(2 * slots, kFewestAtOnce, kMostAtOnce);
}

}  // namespace

absl::Status AskMany(Connection& connection, size_t count, const std::function<absl::Status(size_t)>& ask,
                     const Progress& progress, Stopper* stopper) {
  std::atomic<size_t> next{0}, done{0}, failed{SIZE_MAX};
  std::mutex mutex;
  std::condition_variable an_end;
  size_t ended = 0;
  absl::Status failure;
  const auto work = [&] {
    while (true) {
      const size_t i = next++;
      if (i >= count || i > failed) break;
      if (stopper != nullptr && stopper->stopped()) break;
      const absl::Status status = ask(i);
      ++done;
      if (status.ok()) continue;
      std::lock_guard<std::mutex> lock(mutex);
      if (i > failed) continue;
      failed = i;
      failure = status;
    }
    std::lock_guard<std::mutex> lock(mutex);
    ++ended;
    an_end.notify_one();
  };
  std::vector<std::thread> threads;
  for (size_t i = std::min<size_t>(AtOnce(connection), count); i > 0; --i) threads.emplace_back(work);
  std::unique_lock<std::mutex> lock(mutex);
  while (!an_end.wait_for(lock, std::chrono::milliseconds(200), [&] { return ended == threads.size(); })) {
    progress(done, count);
  }
  lock.unlock();
  for (std::thread& t : threads) t.join();
  return failure;
}

absl::Status AskMany(Connection& connection, size_t count, const std::function<absl::Status(size_t)>& ask,
                     const char* what) {
  // A log is no animation.
  const bool live = isatty(STDERR_FILENO);
  auto next = std::chrono::steady_clock::now();
  bool shown = false;
  const absl::Status status = AskMany(connection, count, ask, [&](size_t done, size_t of) {
    const auto now = std::chrono::steady_clock::now();
    if (!live && now < next) return;
    next = now + std::chrono::seconds(5);
    if (done == 0) return;
    std::fprintf(stderr, "%s%zu of %zu %s%s", live ? "\r" : "", done, of, what, live ? "" : "\n");
    shown = true;
  });
  if (live && shown) std::fputs("\r\x1b[K", stderr);
  return status;
}

}  // namespace selvage::client
