#include "worker/run/stop_signals.h"

#include <poll.h>
#include <signal.h>
#include <sys/eventfd.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include <cerrno>
#include <utility>

namespace selvage::worker {

StopSignals::StopSignals() {
  sigset_t signals;
  sigemptyset(&signals);
  sigaddset(&signals, SIGTERM);
  sigaddset(&signals, SIGINT);
  pthread_sigmask(SIG_BLOCK, &signals, nullptr);
  signals_ = signalfd(-1, &signals, SFD_CLOEXEC);
  end_ = eventfd(0, EFD_CLOEXEC);
}

void StopSignals::End() {
  if (signals_ < 0) return;
  if (waiting_.joinable()) {
    eventfd_write(end_, 1);
    waiting_.join();
  }
  close(std::exchange(signals_, -1));
  close(std::exchange(end_, -1));
}

void StopSignals::Watch(std::function<void()> first, std::function<void()> second) {
  waiting_ = std::thread([this, first = std::move(first), second = std::move(second)] { Wait(first, second); });
}

void StopSignals::Wait(const std::function<void()>& first, const std::function<void()>& second) {
  for (const auto* call : {&first, &second}) {
    pollfd either[2] = {{signals_, POLLIN, 0}, {end_, POLLIN, 0}};
    int ready = 0;
    do {
      ready = poll(either, 2, -1);
    } while (ready < 0 && errno == EINTR);
    if (ready < 0 || either[1].revents != 0) return;
    signalfd_siginfo taken;
    if (read(signals_, &taken, sizeof taken) != sizeof taken) return;
    (*call)();
  }
}

}  // namespace selvage::worker
