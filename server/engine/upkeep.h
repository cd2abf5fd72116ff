// Looking after the cache: what it holds, checking it, copying it, releasing what
// a stack keeps.
#pragma once

#include <atomic>
#include <functional>
#include <string>

#include "server/engine/requests.h"

namespace selvage {

// On the strand.
class Upkeep {
 public:
  Upkeep(const RequestTools& with, const Requests* requests) : with_(with), requests_(requests) {}

  void Info(const CacheInfoRequest& request, Then<CacheInfoReply> then);
  // `show` is called now and then, from one thread; it answers whether to go on.
  // The walk ends before `then` is called.
  void Verify(std::function<bool(const VerifyProgress&)> show, Then<VerifyProgress> then);
  void Release(const std::string& stack_name, Then<ReleaseReply> then);
  void Backup(const std::string& folder, Then<BackupReply> then);

 private:
  const RequestTools with_;
  const Requests* const requests_;
  std::atomic<bool> verifying_{false}, backing_up_{false};
};

}  // namespace selvage
