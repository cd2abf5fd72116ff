// A value that is known by a frame and worked out again where it is asked for: a plan
// of a million tasks need not hold what each of them gets to see.
#pragma once

#include <cstdint>
#include <memory>
#include <utility>

namespace selvage::plan {

template <class T>
class AtFrame {
 public:
  // Gives the same for the same frame, from any thread.
  class Source {
   public:
    virtual ~Source() = default;
    virtual std::shared_ptr<const T> At(int32_t frame) const = 0;
  };

  AtFrame() = default;
  AtFrame(std::shared_ptr<const Source> source, int32_t frame) : source_(std::move(source)), frame_(frame) {}

  explicit operator bool() const { return source_ != nullptr; }
  // REQUIRES: it is one.
  std::shared_ptr<const T> Get() const { return source_->At(frame_); }
  T operator*() const { return *Get(); }
  std::shared_ptr<const T> operator->() const { return Get(); }

 private:
  std::shared_ptr<const Source> source_;
  int32_t frame_ = 0;
};

}  // namespace selvage::plan
