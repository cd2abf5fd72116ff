// How long tasks of one kind take: mean, longest and 95th percentile in fixed space.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>

namespace selvage::sched {

class Durations {
 public:
  void Add(double seconds) {
    ++count_;
    sum_ += seconds;
    longest_ = std::max(longest_, seconds);
    ++bucket_[Bucket(seconds)];
  }
  uint32_t count() const { return count_; }
  double mean() const { return count_ == 0 ? 0 : sum_ / count_; }
  double longest() const { return longest_; }
  // Upper end of the bucket that holds it: at most 1.5 times too long.
  double p95() const {
    uint32_t seen = 0;
    for (size_t i = 0; i < bucket_.size(); ++i) {
      seen += bucket_[i];
      if (seen >= 0.95 * count_) return kFirst * std::pow(1.5, static_cast<double>(i + 1));
    }
    return 0;
  }

 private:
  static constexpr double kFirst = 0.01;  // seconds
  static size_t Bucket(double seconds) {
    if (!(seconds > kFirst)) return 0;
    // 32 buckets of 1.5x from 10 ms reach over an hour.
    return std::min<size_t>(31, static_cast<size_t>(std::log(seconds / kFirst) / std::log(1.5)));
  }
  std::array<uint32_t, 32> bucket_{};
  uint32_t count_ = 0;
  double sum_ = 0, longest_ = 0;
};

}  // namespace selvage::sched
