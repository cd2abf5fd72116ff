#include "server/engine/pool.h"

#include <atomic>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/strand.hpp>
#include <boost/asio/thread_pool.hpp>
#include <chrono>
#include <utility>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "proto/mutex.h"

namespace selvage {

namespace asio = boost::asio;

struct Pool::Impl {
  explicit Impl(int threads) : pool(static_cast<size_t>(threads)), strand(asio::make_strand(pool)) {}

  struct Repeated {
    Repeated(Impl* owner, std::chrono::nanoseconds p, std::function<void()> w)
        : timer(owner->strand), period(p), work(std::move(w)) {}
    asio::steady_timer timer;
    std::chrono::nanoseconds period;
    std::function<void()> work;
  };

  void Arm(Repeated* r) {
    r->timer.expires_after(r->period);
    r->timer.async_wait([this, r](const boost::system::error_code& error) {
      if (error || stopped) return;
      r->work();
      Arm(r);
    });
  }

  asio::thread_pool pool;
  asio::strand<asio::thread_pool::executor_type> strand;
  std::atomic<bool> stopped{false};
  Mutex mutex;
  std::vector<std::unique_ptr<Repeated>> repeated ABSL_GUARDED_BY(mutex);
};

Pool::Pool(int threads) : impl_(std::make_unique<Impl>(threads)) {}
Pool::~Pool() { Stop(); }

void Pool::Post(std::function<void()> work) { asio::post(impl_->pool, std::move(work)); }
void Pool::PostSerial(std::function<void()> work) { asio::post(impl_->strand, std::move(work)); }

void Pool::EverySerial(double seconds, std::function<void()> work) {
  const auto period = std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::duration<double>(seconds));
  auto r = std::make_unique<Impl::Repeated>(impl_.get(), period, std::move(work));
  Impl::Repeated* raw = r.get();
  {
    MutexLock lock(&impl_->mutex);
    impl_->repeated.push_back(std::move(r));
  }
  PostSerial([this, raw] { impl_->Arm(raw); });
}

void Pool::Stop() {
  if (impl_->stopped.exchange(true)) return;
  // Timers belong to the strand.
  PostSerial([this] {
    MutexLock lock(&impl_->mutex);
    for (auto& r : impl_->repeated) r->timer.cancel();
  });
  impl_->pool.join();
}

}  // namespace selvage
