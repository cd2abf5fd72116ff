// The open pages that listen, and what they are all told: README.md, "GET /api/events". Used
// from the loom's thread.
#pragma once

#include <memory>
#include <set>
#include <string>

#include "client/loom/http_server.h"

namespace selvage::client {

class Events {
 public:
  void Add(std::shared_ptr<EventStream> stream) { streams_.insert(std::move(stream)); }
  void Remove(const std::shared_ptr<EventStream>& stream) { streams_.erase(stream); }
  bool anybody() const { return !streams_.empty(); }

  // `key` as in EventStream::Send.
  void Tell(const std::string& key, const std::string& event, const std::string& data) const {
    for (const auto& stream : streams_) stream->Send(key, event, data);
  }

 private:
  std::set<std::shared_ptr<EventStream>> streams_;
};

}  // namespace selvage::client
